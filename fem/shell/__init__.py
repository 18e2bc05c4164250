"""The judge: a layered shell of bicubic C1 rectangles. Energy, fields, loads, edges, contact with walls and
with itself, motion, symmetry; `model` makes one of a case.
"""

__all__ = [
    "constraints",
    "energy",
    "fields",
    "loads",
    "mirror",
    "model",
    "motion",
    "self_contact",
    "state",
    "static_drive",
    "strip_shell",
    "surface_points",
    "symmetry",
    "trials",
    "wall_contact",
]
