"""The quick model: a planar rod with a section that opens, warps and flattens. Energy, fields, loads, contact
with walls and with itself, motion; `model` makes one of a case.
"""
