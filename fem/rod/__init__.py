"""The quick model: a planar rod with a section that opens, warps and flattens. Energy, fields, loads, contact
with walls and with itself, motion; `model` makes one of a case.
"""

__all__ = [
    "constraints",
    "drives",
    "energy",
    "fields",
    "loads",
    "model",
    "section_tables",
    "self_contact",
    "wall_contact",
]
