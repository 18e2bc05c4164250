"""Checks of the section model against published numbers, and the registry of all checks of sections.

The tests and the `verify` command loop over `CHECKS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from fem.core.term import Array
from fem.design.material import Material
from fem.section_model.fold import Fold, fold
from fem.section_model.fold_model import SectionProblem
from fem.section_model.fold_strain import free_coil, layer_strains, pressed
from fem.section_model.moment_curvature import MomentCurve, moment_curve
from fem.verification.layers import EQUAL, LAYER_CHECKS, arc_problem
from fem.verification.published import WUEST, Check

OPPOSITE = -1  # direction of bending opposite to the section's hollow side (edges point toward the axle)


# ---- sections to compute with --------------------------------------------------------------------


@dataclass(frozen=True)
class ArcStrip:
    """Straight isotropic strip of circular section: MPa, -, mm, mm, and the turn of the section [rad]."""

    young: float
    poisson: float
    thickness: float
    radius: float
    turn: float

    @property
    def width(self) -> float:
        """Flattened width [mm]."""
        return self.radius * self.turn

    @property
    def plate(self) -> float:
        """D = E t^3 / (12 (1 - nu^2)) [N mm]."""
        return self.young * self.thickness**3 / (12.0 * (1.0 - self.poisson**2))

    def problem(self) -> SectionProblem:
        """The cross-section, edges toward the axle."""
        material = Material.isotropic("check", self.young, self.poisson, 1e-9, 1.0)
        return arc_problem((material,), (0.0,), (self.thickness,), self.radius, self.turn)


@lru_cache(maxsize=64)
def _curve(strip: ArcStrip) -> MomentCurve:
    return moment_curve(strip.problem())


@lru_cache(maxsize=128)
def _fold(strip: ArcStrip, direction: int) -> Fold:
    found = fold(_curve(strip), direction)
    if found is None:
        raise ArithmeticError(f"{strip} does not fold, so there is nothing to compare")
    return found


def _peak(strip: ArcStrip, direction: int, over: float) -> float:
    return _fold(strip, direction).peak_moment / over


def _steady(strip: ArcStrip, direction: int, over: float) -> float:
    return _fold(strip, direction).steady_rigid.moment / over


def _radius(strip: ArcStrip, direction: int) -> float:
    return 1.0 / abs(_fold(strip, direction).steady_rigid.fold_curvature) / strip.radius


# ---- moment against curvature --------------------------------------------------------------------

_WUEST = (
    f"{WUEST} in the form of Seffen, You & Pellegrino 2000 (IJMS 42:2055), from memory; "
    "computed from the formula"
)
_MAXWELL = _WUEST + ", with the equal-energy rule U = k M"
_DEEP = (
    "independent 8-term energy solution of the deep section (a computation: no published table was readable)"
)

_STRIPS = (
    ("steel .1", ArcStrip(210000.0, 0.3, 0.1, 15.0, math.radians(90.0))),
    ("steel .12", ArcStrip(210000.0, 0.3, 0.12, 14.0, math.radians(100.0))),
    ("printed .8", ArcStrip(2300.0, 0.36, 0.8, 25.0, math.radians(90.0))),
)
# per strip and sense: peak (shallow formula), peak (deep), steady (formula), steady (deep), fold radius / R
_STRIP_TABLE = (
    (OPPOSITE, 379.1, 377.4, 37.12, 37.12, 1.082),
    (EQUAL, 371.1, 369.3, 20.51, 20.51, 1.053),
    (OPPOSITE, 699.3, 695.4, 71.18, 71.17, 1.084),
    (EQUAL, 684.0, 680.0, 39.35, 39.35, 1.054),
    (OPPOSITE, 485.6, 483.6, 208.5, 208.2, 1.239),
    (EQUAL, 428.5, 426.0, 105.8, 105.8, 1.129),
)


def wuest_moment(strip: ArcStrip, curvature: Array, direction: int) -> Array:
    """Moment (n,) [N mm] of a shallow circular section at curvatures (n,) > 0 in its direction of bending.

    M = a D [k + nu k0 - nu (k0 + nu k) F1 + (k0 + nu k)^2 F2 / k], k0 = -+1/R equal / opposite (Wuest 1954).
    """
    nu, k0 = strip.poisson, (1.0 if direction == OPPOSITE else -1.0) / strip.radius
    size = (3.0 * (1.0 - nu**2)) ** 0.25 * strip.width * np.sqrt(curvature / strip.thickness)
    below = np.sinh(size) + np.sin(size)
    first = 2.0 / size * (np.cosh(size) - np.cos(size)) / below
    second = first / 4.0 - np.sinh(size) * np.sin(size) / below**2
    across = k0 + nu * curvature
    return np.asarray(
        strip.width
        * strip.plate
        * (curvature + nu * k0 - nu * across * first + across**2 * second / curvature)
    )


def wuest_energy(strip: ArcStrip, curvature: float, direction: int) -> float:
    """Energy per length [N] of a shallow circular section bent to a curvature [1/mm] > 0 in its direction.

    Bent as a cylinder it stores a D / 2 (k^2 + k0^2 + 2 nu k k0); its edges, where the moment D (k0 + nu k)
    must vanish, then curl as a beam on the elastic foundation E t k^2 and give back a D / 2 (k0 + nu k)^2 F1.
    The derivative in k is Wuest's moment. Of a flat strip, k0 = 0, it is the plate with anticlastic edges.
    """
    nu, k0 = strip.poisson, (1.0 if direction == OPPOSITE else -1.0) / strip.radius
    size = (3.0 * (1.0 - nu**2)) ** 0.25 * strip.width * math.sqrt(curvature / strip.thickness)
    first = 2.0 / size * (math.cosh(size) - math.cos(size)) / (math.sinh(size) + math.sin(size))
    cylinder = curvature**2 + k0**2 + 2.0 * nu * curvature * k0
    return float(0.5 * strip.width * strip.plate * (cylinder - (k0 + nu * curvature) ** 2 * first))


def _wuest_gap(direction: int) -> float:
    """Largest difference from the closed form along the curve, over its peak, for a very shallow section."""
    strip = ArcStrip(1000.0, 0.3, 0.05**2 / 15.0**2 * 100.0, 100.0, 0.05)
    k = np.geomspace(1e-4, 2.0, 40) / strip.radius
    states = moment_curve(strip.problem(), k * direction).outward(direction)
    exact = wuest_moment(strip, k, direction)
    return float(np.max(np.abs(states.moment[1:] * direction - exact)) / np.max(exact))


def _strip_checks() -> list[Check]:
    checks = []
    for row, (direction, peak, peak_deep, steady, steady_deep, radius) in enumerate(_STRIP_TABLE):
        name, strip = _STRIPS[row // 2]
        sense = "opposite" if direction == OPPOSITE else "equal"
        shallow = "a deep section differs from the shallow formula by its depth"
        for what, value, source, limit, reason, compute in (
            ("peak moment", peak, _WUEST, 0.01, shallow, partial(_peak, strip, direction, 1.0)),
            (
                "peak moment, deep",
                peak_deep,
                _DEEP,
                0.005,
                "8 terms against 22",
                partial(_peak, strip, direction, 1.0),
            ),
            ("steady moment", steady, _MAXWELL, 0.01, shallow, partial(_steady, strip, direction, 1.0)),
            (
                "steady moment, deep",
                steady_deep,
                _DEEP,
                0.005,
                "8 terms",
                partial(_steady, strip, direction, 1.0),
            ),
            ("fold radius / R", radius, _MAXWELL, 0.01, shallow, partial(_radius, strip, direction)),
        ):
            checks.append(
                Check(
                    f"{what}, {name}, {sense}",
                    "fold of three strips",
                    "section",
                    source,
                    value,
                    limit,
                    reason,
                    compute,
                )
            )
    for direction, sense in ((OPPOSITE, "opposite"), (EQUAL, "equal")):
        checks.append(
            Check(
                f"whole moment curve, {sense}: largest gap over peak",
                "fold of three strips",
                "section",
                _WUEST,
                0.0,
                1e-3,
                "section turns .05 rad: terms of its square are left",
                partial(_wuest_gap, direction),
                relative=False,
            )
        )
    return checks


# q = a / sqrt(R t): peak and steady moment over D alpha, fold radius over R for each (nu, direction)
_COLUMNS = ((0.0, OPPOSITE), (0.3, OPPOSITE), (0.3, EQUAL), (0.4, OPPOSITE), (0.4, EQUAL))
_SIMILARITY = {
    8: (
        (2.308, 0.8918, 1.2066),
        (2.343, 1.116, 1.2634),
        (2.073, 0.6442, 1.1567),
        (2.307, 1.1831, 1.287),
        (1.946, 0.5577, 1.1399),
    ),
    12: (
        (5.087, 0.9314, 1.1187),
        (4.988, 1.1827, 1.147),
        (4.722, 0.665, 1.0916),
        (4.844, 1.2616, 1.1579),
        (4.49, 0.5735, 1.0822),
    ),
    16: (
        (9.011, 0.9497, 1.0836),
        (8.73, 1.2137, 1.1024),
        (8.465, 0.6744, 1.065),
        (8.438, 1.2981, 1.1095),
        (8.085, 0.5807, 1.0584),
    ),
    20: (
        (14.066, 0.9602, 1.0646),
        (13.552, 1.2317, 1.0787),
        (13.287, 0.6798, 1.0503),
        (13.07, 1.3193, 1.0839),
        (12.717, 0.5848, 1.0453),
    ),
    30: (
        (31.632, 0.9739, 1.0412),
        (30.308, 1.2551, 1.0499),
        (30.043, 0.6868, 1.0322),
        (29.168, 1.3469, 1.053),
        (28.816, 0.5901, 1.029),
    ),
    40: (
        (56.23, 0.9806, 1.0302),
        (53.772, 1.2665, 1.0365),
        (53.508, 0.6902, 1.0237),
        (51.712, 1.3604, 1.0388),
        (51.36, 0.5926, 1.0214),
    ),
}


def _similarity_checks() -> list[Check]:
    checks = []
    turn, radius = 0.05, 100.0
    for q, row in _SIMILARITY.items():
        for (nu, direction), (peak, steady, size) in zip(_COLUMNS, row, strict=True):
            strip = ArcStrip(1000.0, nu, radius * turn**2 / q**2, radius, turn)
            over = strip.plate * turn
            sense = "opposite" if direction == OPPOSITE else "equal"
            for what, value, source, compute in (
                ("peak moment / D alpha", peak, _WUEST, partial(_peak, strip, direction, over)),
                ("steady moment / D alpha", steady, _MAXWELL, partial(_steady, strip, direction, over)),
                ("fold radius / R", size, _MAXWELL, partial(_radius, strip, direction)),
            ):
                checks.append(
                    Check(
                        f"{what}, a / sqrt(R t) = {q}, nu = {nu:g}, {sense}",
                        "similarity of folds",
                        "section",
                        source,
                        value,
                        1e-3,
                        "four printed digits, section turns .05 rad",
                        compute,
                    )
                )
    return checks


# ---- stiffness, energy, strain of simple states --------------------------------------------------


def arc_stiffness(strip: ArcStrip) -> float:
    """EI of a thin circular arc about its own axis [N mm^2], E R^3 t [(a + sin a)/2 - 4 sin(a/2)^2 / a]."""
    a = strip.turn
    shape = 0.5 * (a + math.sin(a)) - 4.0 * math.sin(0.5 * a) ** 2 / a
    return strip.young * strip.radius**3 * strip.thickness * shape


def _thin(turn: float) -> ArcStrip:
    return ArcStrip(210000.0, 0.3, 0.02, 20.0, math.radians(turn))


def _coil_energy(strip: ArcStrip, direction: int, radius: float) -> float:
    return pressed(strip.problem(), direction / radius).energy


_FOIL = ArcStrip(210000.0, 0.3, 0.02, 15.0, math.radians(90.0))
"""So thin that the plate formula holds: at .1 mm its face stress is 3e-3 off, because fibres of a thick sheet
share strain out over their own length, R - z."""


def _coil_stress(direction: int) -> float:
    """Largest face stress [MPa] of a .02 mm steel strip flattened and coiled to its own section radius."""
    strip = _FOIL
    problem = strip.problem()
    material = problem.zones[0].stack.materials[0]
    assert material is not None
    faces = layer_strains(problem, pressed(problem, direction / strip.radius).strains)
    stress = [material.plane_stress() @ np.array([face.along, face.across, 0.0]) for face in faces]
    return float(max(np.max(np.abs(s)) for s in stress))


_CURLING = (
    "plate with curling edges: own derivation (`wuest_energy` with a flat section); the plate is that of "
    "Ashwell 1950 (J. R. Aeronaut. Soc. 54:708), from memory"
)


def _wound_checks() -> list[Check]:
    """Flat strips wound tight: torque of the coil, energy per length times radius."""
    reason, checks = "strain of a tight coil is not small: (t / r)^2 = 1e-2 in the tightest", []
    for thickness, poisson, radius in ((0.1, 0.3, 14.05), (0.5, 0.3, 5.25), (0.5, 0.45, 5.25)):
        strip = ArcStrip(1000.0, poisson, thickness, 1e6, 10.0 / 1e6)
        name = f"torque of a flat strip wound tight, t = {thickness:g}, nu = {poisson:g}, r = {radius:g} mm"
        value = wuest_energy(strip, 1.0 / radius, EQUAL) * radius
        compute = partial(_free_torque, strip, radius)
        checks.append(Check(name, "stiffness and energy", "section", _CURLING, value, 0.01, reason, compute))
    return checks


def _free_torque(strip: ArcStrip, radius: float) -> float:
    return free_coil(strip.problem(), radius).energy * radius


def _state_checks() -> list[Check]:
    checks = [
        Check(
            f"bending stiffness of a thin arc of {turn:g} deg",
            "stiffness and energy",
            "section",
            "second moment of area of a thin circular arc (geometry)",
            arc_stiffness(_thin(turn)),
            1e-3,
            "bending of the wall itself, (t/R)^2 = 1e-6 over alpha^4/720",
            partial(lambda strip: _curve(strip).initial_stiffness, _thin(turn)),
        )
        for turn in (60.0, 90.0, 180.0)
    ]
    strip = _STRIPS[0][1]
    for direction, sense, sign in ((OPPOSITE, "opposite", 1.0), (EQUAL, "equal", -1.0)):
        for ratio in (1.0, 1.5):
            radius = ratio * strip.radius
            own, coil = 1.0 / strip.radius, 1.0 / radius
            value = (
                0.5 * strip.plate * strip.width * (own**2 + coil**2 + 2.0 * sign * strip.poisson * own * coil)
            )
            checks.append(
                Check(
                    f"energy of a flat-section coil, r = {ratio:g} R, {sense}",
                    "stiffness and energy",
                    "section",
                    "Rimrott 1965; Seffen & Pellegrino 1999 (Proc. R. Soc. A 455:1003), from memory",
                    value,
                    1e-4,
                    "large strain against small",
                    partial(_coil_energy, strip, direction, radius),
                )
            )
        value = _FOIL.young * _FOIL.thickness / (2.0 * _FOIL.radius * (1.0 - sign * _FOIL.poisson))
        checks.append(
            Check(
                f"face stress flattened and coiled at r = R, {sense}",
                "stiffness and energy",
                "section",
                "plate formula E t / (2 R (1 -+ nu)), computed",
                value,
                1e-3,
                "not in the formula: stretch by the bending moments, t / (6 R) = 2e-4, and fibres of length "
                "R - z, t / (2 R) = 7e-4",
                partial(_coil_stress, direction),
            )
        )
    return checks


CHECKS: tuple[Check, ...] = (
    *_strip_checks(),
    *_similarity_checks(),
    *_state_checks(),
    *_wound_checks(),
    *LAYER_CHECKS,
)
