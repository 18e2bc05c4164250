"""Strips, rods and finite differences shared by the tests of the rod and of what it touches."""

from __future__ import annotations

import numpy as np

from fem.core.term import Evaluation
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc
from fem.design.strip import Station, Strip
from fem.rod.energy import Rod, build_rod, rest_state

SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.3)
STIFF = Material.isotropic("stiff", 2000.0, 0.35, 1.2e-9, 0.02)
PLY = Material("ply", 20000.0, 2000.0, 0.3, 900.0, 1.5e-9, 0.01)


ONE_LAYER = (Layer(SOFT, 1.0),)


def straight_strip(length=95.0, layers=ONE_LAYER, radius=9.0, stations=()) -> Strip:
    return Strip(Runs((Straight(length),), 3.0), Arc(radius=radius), 12.0, 1, tuple(layers), stations)


def bent_strip() -> Strip:
    """Two bends, a root that opens flat, a taper, a stiff spine and an angled ply."""
    runs = (
        Straight(16.0),
        BendRun(np.radians(40.0), 25.0),
        Straight(10.0),
        BendRun(np.radians(-35.0), 30.0),
        Straight(20.0),
    )
    layers = (
        Layer(SOFT, 0.6),
        Layer(STIFF, 0.2, across=(-3.0, 3.0), elsewhere=SOFT),
        Layer(PLY, 0.2, angle=0.4),
    )
    stations = (
        Station(0.0, 12.0, 0.0),
        Station(15.0, 12.0, 1.0),
        Station(40.0, 12.0, 1.0),
        Station(70.0, 9.0, 0.8),
    )
    return Strip(Runs(runs, 3.0), Arc(radius=9.0), 12.0, 1, layers, stations)


def at_rest(rod: Rod) -> np.ndarray:
    path = rod.strip.path
    return rest_state(rod, path.position(rod.nodes), path.heading(rod.nodes))


def coiled(rod: Rod, pitch: float, inner: float = 3.5, opening: float = -0.1) -> np.ndarray:
    """A spiral about the origin, anticlockwise from its lowest point; pitch = growth of the radius per 5
    rad.
    """
    s = rod.nodes
    radius = inner + pitch * s / (2 * np.pi * 5)
    angle = np.concatenate([[0.0], np.cumsum(np.diff(s) / (0.5 * (radius[1:] + radius[:-1])))])
    place = np.stack([radius * np.sin(angle), -radius * np.cos(angle)], axis=1)
    u = rest_state(rod, place, angle).reshape(len(s), rod.fields, 2)
    u[:, 2, 0] = opening
    return u.ravel()


def turned(rod: Rod, u: np.ndarray, angle: float, shift=(0.0, 0.0)) -> np.ndarray:
    """The state turned about the origin (anticlockwise) and shifted."""
    c, s = np.cos(angle), np.sin(angle)
    v = u.reshape(len(rod.nodes), rod.fields, 2).copy()
    x, y = v[:, 0].copy(), v[:, 1].copy()
    v[:, 0], v[:, 1] = c * x - s * y, s * x + c * y
    v[:, 0, 0] += shift[0]
    v[:, 1, 0] += shift[1]
    return v.ravel()


def rough(rod: Rod, size: float, seed: int) -> np.ndarray:
    """A random change of all unknowns, weaker where an unknown is a slope of the opening."""
    scale = np.tile(np.array([[1.0, 0.3]]), (rod.fields, 1))
    scale[2 : 2 + rod.modes] = (0.05, 0.02)
    scale[2 + rod.modes :] = (0.3, 0.1)
    return size * np.random.default_rng(seed).normal(size=rod.size) * np.tile(scale.ravel(), len(rod.nodes))


def product(ev: Evaluation, v: np.ndarray) -> np.ndarray:
    """Sum of all blocks times a vector."""
    out = np.zeros_like(v)
    for block in ev.blocks:
        np.add.at(out, block.dofs, np.einsum("mij,mj->mi", block.values, v[block.dofs]))
    return out


def derivative_errors(term, u: np.ndarray, v: np.ndarray, h: float = 1e-6) -> tuple[float, float]:
    """Relative errors of gradient . v against the energy and of tangent . v against the gradient."""
    here, ahead, behind = term.evaluate(u, 2), term.evaluate(u + h * v, 1), term.evaluate(u - h * v, 1)
    slope, exact = (ahead.energy - behind.energy) / (2 * h), float(here.gradient @ v)
    change, tangent = (ahead.gradient - behind.gradient) / (2 * h), product(here, v)
    first = abs(slope - exact) / np.abs(here.gradient * v).sum()
    second = float(np.abs(change - tangent).max() / max(np.abs(tangent).max(), 1e-300))
    return first, second


def renewed_error(term, u: np.ndarray, v: np.ndarray, h: float) -> float:
    """Largest error of tangent . v against the force, everything held renewed at each place, relative to the
    largest entry.
    """

    def force(at: np.ndarray) -> np.ndarray:
        return term.balance(at, 1).gradient

    change = (force(u + h * v) - force(u - h * v)) / (2 * h)
    tangent = product(term.balance(u, 2), v)
    return float(np.abs(change - tangent).max() / np.abs(tangent).max())


def small_rod(strip: Strip, elements: int = 24) -> Rod:
    return build_rod(strip, np.linspace(0.0, strip.length, elements + 1))
