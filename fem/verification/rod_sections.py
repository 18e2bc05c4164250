"""Checks of the rod's section against published numbers: a strip bent evenly, flat or arched.

A flat strip that is narrow bends like a beam, a very wide one like a plate, to a cylinder; between them only
the edges curl. An arched section opens until it gives way.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np

from fem.verification.beams import Beam, UniformBending
from fem.verification.layers import EQUAL
from fem.verification.published import Check
from fem.verification.sections import ArcStrip, wuest_moment

_ASHWELL = "Ashwell 1950 (J. R. Aeronaut. Soc. 54:708), from memory; computed from the formula"
_DEEP = (
    "independent 8-term energy solution of the deep section (a computation: no published table was readable)"
)
_STEEL = ArcStrip(210000.0, 0.3, 0.1, 15.0, np.radians(90.0))
_PRINTED = ArcStrip(2300.0, 0.36, 0.8, 25.0, np.radians(90.0))
_PEAKS = (
    ("steel .1", _STEEL, -EQUAL, 377.4),
    ("steel .1", _STEEL, EQUAL, 369.3),
    ("printed .8", _PRINTED, -EQUAL, 483.6),
    ("printed .8", _PRINTED, EQUAL, 426.0),
)


def flat_strip(anticlastic: float) -> float:
    """Moment over E I curvature of a flat strip 20 x .5 mm, nu .3, at width^2 curvature / thickness =
    `anticlastic`.
    """
    beam = Beam(1.0, 20.0, 0.5, 1000.0, 0.3)
    end = anticlastic * beam.thickness / beam.width**2
    steps = np.geomspace(1e-3, 1.0, 30) * end
    return float(UniformBending.build(beam).curve(steps)[1][-1] / (beam.bending_stiffness * end))


def flat_strip_formula(anticlastic: float) -> float:
    """The same by Ashwell's closed form (nu .3)."""
    strip = ArcStrip(1000.0, 0.3, 0.5, 1e9, 20e-9)
    curvature = anticlastic * 0.5 / 400.0
    moment = float(wuest_moment(strip, np.array([curvature]), EQUAL)[0])
    return moment / (1000.0 * 20.0 * 0.5**3 / 12.0 * curvature)


@lru_cache
def peak_moment(strip: ArcStrip, direction: int) -> float:
    """Moment at which the section of a rod, bent evenly, first gives way."""
    beam = Beam(1.0, strip.width, strip.thickness, strip.young, strip.poisson, 0.0, 1.0 / strip.radius)
    moments = (
        UniformBending.build(beam).curve(direction * np.geomspace(1e-3, 0.2, 150) / strip.radius)[1]
        * direction
    )
    falls = np.flatnonzero(np.diff(moments) < 0.0)
    return float(moments[falls[0]]) if falls.size else np.nan


def _check(
    name: str, source: str, numbers: tuple[float, float], reason: str, how: Callable[[], float]
) -> Check:
    """One number: (published, relative tolerance)."""
    group = "rod: sections in even bending"
    return Check(name, group, "rod", source, numbers[0], numbers[1], reason, how)


def _sections() -> list[Check]:
    checks = [
        _check(
            "narrow flat strip: M / (E I k)",
            "Euler-Bernoulli beam: both edges free to curl",
            (1.0, 1e-3),
            "anticlastic number .01",
            partial(flat_strip, 0.01),
        ),
        _check(
            "very wide flat strip: M (1 - nu^2) / (E I k)",
            "plate bent to a cylinder, E I / (1 - nu^2)",
            (1.0, 1e-2),
            "the edges still curl at anticlastic number 300",
            lambda: 0.91 * flat_strip(300.0),
        ),
    ]
    for number in (1.0, 10.0, 100.0):
        name, how = f"flat strip at width^2 k / t = {number:g}: M / (E I k)", partial(flat_strip, number)
        reason = "two section modes for the edge's boundary layer"
        checks.append(_check(name, _ASHWELL, (flat_strip_formula(number), 1e-2), reason, how))
    for strip_name, strip, direction, peak in _PEAKS:
        sense = "equal" if direction == EQUAL else "opposite"
        reason = "two section modes against eight"
        how = partial(peak_moment, strip, direction)
        checks.append(
            _check(
                f"peak moment of an evenly bent rod, {strip_name}, {sense}", _DEEP, (peak, 1e-2), reason, how
            )
        )
    return checks


ROD_SECTION_CHECKS: tuple[Check, ...] = tuple(_sections())
