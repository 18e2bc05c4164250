"""A result seen in 3-D and as curves: still, film, window."""

__all__ = [
    "colour",
    "colouring",
    "film",
    "graphics",
    "mesh_picture",
    "palette",
    "playback",
    "plot",
    "solid",
    "still",
    "window",
]
