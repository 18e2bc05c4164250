"""Where the strip is looked at from and in what light: renderers side by side, parallel views."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyvista as pv

from fem.core.term import Array
from fem.view.canvas import BACK, UP
from fem.view.palette import PAPER

LIGHTS = (((-0.5, 0.9, 1.0), 0.8), ((0.8, 0.1, 0.9), 0.3), ((0.2, -1.0, 0.4), 0.25))


def new_plotter(
    size: tuple[int, int], views: Sequence[tuple[float, float, float, float]], hidden: bool, smooth: int = 4
) -> Any:
    """A plotter with renderers at these shares (left, bottom, right, top) of its window, lit from before."""
    theme = pv.themes.Theme()
    theme.multi_samples = smooth
    plotter: Any = pv.Plotter(
        off_screen=hidden,
        lighting="none",
        theme=theme,
        window_size=list(size),
        shape=(1, len(views)),
        border=False,
    )
    for number, share in enumerate(views):
        plotter.subplot(0, number)
        plotter.renderers[number].viewport = share
        plotter.set_background(PAPER, all_renderers=False)
        for place, strength in LIGHTS:
            light = pv.Light(position=place, intensity=strength, light_type="camera light")
            plotter.renderers[number].add_light(light)
    return plotter


def aim(renderer: Any, points: Array, aspect: float, back: Array = BACK, up: Array = UP) -> None:
    """Look at points (k, 3) from `back` in parallel projection so that they fill a view of width/height
    `aspect`.
    """
    right = np.cross(up, back)
    seen = points @ np.stack([right, up], axis=1)
    low, high = seen.min(axis=0), seen.max(axis=0)
    across, height = (high - low) / 0.92
    depth = points @ back
    centre = right * (low + high)[0] / 2 + up * (low + high)[1] / 2 + back * (depth.min() + depth.max()) / 2
    far = 4.0 * float(np.ptp(points, axis=0).max())
    camera = renderer.camera
    camera.focal_point, camera.up = tuple(centre), tuple(up)
    camera.position = tuple(centre + far * back)
    camera.parallel_projection = True
    camera.parallel_scale = max(height, across / aspect) / 2
    renderer.reset_camera_clipping_range()


LOOKS = {
    "aslant": (BACK, UP),
    "from the front": (np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])),
    "from above": (np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, -1.0])),
    "along the path": (np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])),
}
"""Directions to look from and upward, by the names of `playback.SIDES`."""
