"""What a designer chooses, as frozen data: material and layers, section, path, the strip made of them, axle,
casing, slot, obstacles, motor, what is done to the strip, and the numerical settings.
"""

__all__ = [
    "curved_layers",
    "environment",
    "layup",
    "loading",
    "material",
    "motor",
    "obstacle",
    "path",
    "section",
    "settings",
    "strip",
]
