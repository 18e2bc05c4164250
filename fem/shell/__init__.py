"""The judge: a layered shell of bicubic C1 rectangles. Energy, fields, loads, edges, contact with walls and
with itself, motion, symmetry; `model` makes one of a case.
"""
