"""The strip divided by the mesh generator, along its length and as a developed surface with named parts, and
the finite elements: cubic Hermite lines, bicubic rectangles.
"""

__all__ = [
    "bicubic",
    "clamp_layer",
    "developed_mesh",
    "generator",
    "hermite_line",
    "line_mesh",
    "size_fields",
]
