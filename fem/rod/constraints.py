"""How a node of the rod is held: lists of unknowns to hold."""

from __future__ import annotations

from fem.rod.energy import Rod


def section_unknowns(rod: Rod, node: int) -> list[int]:
    """Opening amplitudes, their slopes and the warping of a node: what a grip on the whole section holds."""
    opening = [rod.index(node, 2 + mode, slope) for mode in range(rod.modes) for slope in (0, 1)]
    return opening + [rod.index(node, 2 + rod.modes + k) for k in range(rod.warps)]


def plane_unknowns(rod: Rod, node: int) -> list[int]:
    """What a section that stays plane and square to the strip holds: slopes of the opening, warping."""
    opening = [rod.index(node, 2 + mode, 1) for mode in range(rod.modes)]
    return opening + [rod.index(node, 2 + rod.modes + k) for k in range(rod.warps)]


def line_unknowns(rod: Rod, node: int) -> list[int]:
    """Place and slope of the mid-line at a node."""
    return [rod.index(node, axis, slope) for axis in (0, 1) for slope in (0, 1)]
