"""The strip of `reference_walls` with both ends clamped on the lower wall: rod and shell against the beam.

Chai 1998 (J. Mech. Phys. Solids 46:1155) pushed such a column, the other wall a gap h away. Only the paper's
abstract was at hand: that the ends lie on one wall, and that the load rises from once to four times Euler's,
here P_E = 4 pi^2 EI / L^2, while the other wall is touched at one point, is from memory. Every number below
is derived here anew from the inextensible beam of small slopes, w'' '' + k^2 w'' = 0 with k^2 = P / EI,
between a clamp, w = w' = 0 at x = 0, and the contact in the middle, w = h and w' = 0 at x = L/2:

    w' = B k (cos(kx - q) - cos q),  B = h / 2 (sin q - q cos q),  q = kL / 4,  pi/2 <= q <= pi
    w'' = B k^2 sin q at the clamp, -B k^2 sin q at contact: both vanish at q = pi, that is P = 4 P_E
    shortening  d = integral over L/2 of w'^2:  pi^2 h^2 / 4L at first contact, q = pi/2;  3 h^2 / L at q = pi
    beyond: two ramps of length 2 pi / k, w' = h k (1 - cos kx) / 2 pi, the strip flat on its own wall at both
    ends and on the other in the middle:  d = 3 h^2 k / 4 pi,  P = 4 P_E (d L / 3 h^2)^2
    a ramp presses on each wall where it leaves it, by its shear EI h k^3 / 2 pi: each wall bears twice that

For the same h and L, in its own Euler's load, this is the hinged strip's `beam_load`: the middle half, from
inflection to inflection, is a hinged strip of half the length and half the rise, and so are the two quarters
beside it, put together. The load does not feel where the ramps stand between the flats, but a flat buckles
once it is 2 pi / k long. This may come at 9 P_E, all that is flat in one, and must come by 25 P_E, with three
equal flats; so there is nothing to check it against, and the strip is pushed to less than 9 P_E.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from fem.verification.published import Check
from fem.verification.walls import (
    BENDING,
    LENGTH,
    RISE,
    SLOPES,
    Pushed,
    Row,
    Support,
    beam_load,
    checks_of,
    first_contact,
    last_point_contact,
)

CLAMPED = Support(clamped=True, below=0.0, last=1.5)


def wall_force(load: float) -> float:
    """Force [N] of each wall at P / P_E while the strip lies along both."""
    k = 2.0 * np.pi * np.sqrt(load) / LENGTH
    return float(BENDING * RISE * k**3 / np.pi)


_CHAI = "Chai 1998 (J. Mech. Phys. Solids 46:1155), "
_RANGE = _CHAI + "once to four times Euler's load in one-point contact, from memory"
_BEAM = (
    _CHAI
    + "column clamped on one of two walls; derived here from the beam of small slopes, not printed there"
)


def _load(where: str, shortening: float) -> Row:
    return Row(
        f"{where}, P / P_E", _BEAM, beam_load(shortening), SLOPES, partial(Pushed.at, shortening=shortening)
    )


def _rows() -> tuple[Row, ...]:
    first, end = first_contact(), last_point_contact()
    drawn = "where the curvature ends is read by drawing on a curve, the walls give a little: 1.3 %"
    far = 1.4 * end
    return (
        Row("first contact, shortening", _BEAM, first, SLOPES, lambda p: p.contact()[0]),
        Row("first contact, P / P_E", _RANGE, 1.0, SLOPES, lambda p: p.contact()[1]),
        _load("a quarter through one-point contact", 0.75 * first + 0.25 * end),
        _load("halfway", 0.5 * (first + end)),
        _load("three quarters through", 0.25 * first + 0.75 * end),
        Row("contact without curvature, P / P_E", _RANGE, 4.0, drawn, Pushed.last_point_load),
        Row("ends without curvature, P / P_E", _RANGE, 4.0, drawn, partial(Pushed.last_point_load, place=1)),
        _load("along lines", 1.2 * end),
        _load("along longer lines", far),
        Row("along longer lines, force of its own wall [N]", _BEAM, wall_force(beam_load(far)), SLOPES,
            partial(Pushed.lower, shortening=far)),
    )  # fmt: skip


CLAMPED_CHECKS: tuple[Check, ...] = checks_of(CLAMPED, _rows())
