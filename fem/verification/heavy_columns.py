"""Checks of columns under their own weight on the bench, of rod and shell, against classical numbers.

The column is a flat strip without Poisson's effect, thin against its length; the tables are of slender,
inextensible columns.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache, partial

from fem.case.definition import Case, case_from
from fem.design.environment import STANDARD_GRAVITY
from fem.design.loading import Column, Press, Push
from fem.results.result import Result
from fem.simulation.run import run_case
from fem.verification.published import Check

_YOUNG, _WIDTH, _THICKNESS, _LENGTH = 300.0, 10.0, 0.4, 80.0
_STIFFNESS = _YOUNG * _WIDTH * _THICKNESS**3 / 12.0
_PINNED = ((0.25, 8.63), (0.5, 7.36), (0.75, 6.08), (1.0, 4.77), (2.0, -0.657))
"""Weight q L over pi^2 E I / L^2, and the push on top at which it buckles over E I / L^2."""
_TABLE = (
    "Timoshenko & Gere 1961, Theory of Elastic Stability, sec. 2.12, table of hinged bars compressed by "
    "their weight, from memory"
)
_GREENHILL = (
    "Greenhill 1881 (Proc. Camb. Phil. Soc. 4:65), in Timoshenko & Gere 1961, sec. 2.12: q L^3 / (E I) = "
    "7.837, from memory"
)
_STANDING = (7.0, 7.6)
_PUSH = {"rod": 6.0, "shell": 0.001}
"""Force of the press over E I / L^2: the rod's goes by how far the tip has moved, the shell's by the force,
of which the first steps must still be small beside the side stiffness that is left.
"""


def heavy_strip(weight: float, push: Push) -> Case:
    """A vertical strip, its root below, with q L^3 / (E I) as given, and what is done to it."""
    density = weight * _STIFFNESS / _LENGTH**3 / (_WIDTH * _THICKNESS * STANDARD_GRAVITY)
    made = {"young": _YOUNG, "poisson": 0.0, "density": density, "strain_limit": 0.1, "source": "made up"}
    case = case_from(
        {
            "title": "heavy column",
            "strip": {
                "width": _WIDTH, "path": {"runs": [{"straight": _LENGTH}]}, "section": {"kind": "flat"},
                "layers": [{"material": "plain", "thickness": _THICKNESS}],
            },
            "materials": {"plain": made}, "axle": {"radius": 4.0}, "casing": {"radius": 7.0},
            "slot": {"gap": 1.0}, "friction": {"strip": 0.0}, "push": {"kind": Column.kind},
            "weight": {"acts": True, "direction": 180.0},
        }
    )  # fmt: skip
    return replace(case, push=push)


@lru_cache
def _pushed(model: str, weight: float, kind: type[Push]) -> Result:
    side = Press(_PUSH[model] * _STIFFNESS / _LENGTH**2, direction=0.5 * math.pi, held="clamped")
    push = side if kind is Press else Column(shortening=0.1, ends="pinned")
    return run_case(heavy_strip(weight, push), model)


def critical_push(model: str, weight: float) -> float:
    """Push on top at which a pinned column buckles, over E I / L^2; weight: q L over pi^2 E I / L^2."""
    force = _pushed(model, weight * math.pi**2, Column).quantities["critical_force_N"].value
    return force * _LENGTH**2 / _STIFFNESS


def weight_of_no_stiffness(model: str) -> float:
    """Q L^3 / (E I) at which the side stiffness of a cantilever that stands on its root vanishes.

    The stiffness falls all but linearly with the weight near there: drawn on from two weights below.
    """
    near, far = (_pushed(model, w, Press).quantities["stiffness_N_per_mm"].value for w in _STANDING)
    return _STANDING[1] + far * (_STANDING[1] - _STANDING[0]) / (near - far)


def leans(model: str, weight: float) -> float:
    """How far aside the tip of a standing cantilever lies before it is pushed, over its length."""
    tip = _pushed(model, weight, Press).path["tip_y_mm"][0]
    rest = _pushed(model, _STANDING[0], Press).path["tip_y_mm"][0]
    return abs(float(tip) - float(rest)) / _LENGTH


def _checks() -> list[Check]:
    group, checks = "columns under their own weight", []
    for model in ("rod", "shell"):
        for weight, push in _PINNED:
            name = f"{model}: pinned column, weight {weight:g} of Euler's load, push on top over E I / L^2"
            compute = partial(critical_push, model, weight)
            reason = "three digits in the table; compressed by .1 % of its length when it is read"
            absolute = Check(name, group, model, _TABLE, push, 0.03, reason, compute, relative=False)
            checks.append(absolute)
        name = f"{model}: cantilever under its own weight, q L^3 / (E I) of no side stiffness"
        reason = "the stiffness is read from the first steps of a push and drawn on linearly"
        vanishing = partial(weight_of_no_stiffness, model)
        checks.append(Check(name, group, model, _GREENHILL, 7.837, 0.005, reason, vanishing))
    return checks


HEAVY_CHECKS: tuple[Check, ...] = tuple(_checks())
