"""Checks of the layers: lamination theory, warping, two stable states, thick bends, hardness formulas."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np

from fem.core.term import Array
from fem.design.layup import Stack
from fem.design.material import Laminate, Material, free_shape, laminate, shore_modulus
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.fold_strain import bistability, coiled_state, curved_bar
from fem.section_model.moment_curvature import moment_curve
from fem.verification.published import Check

EQUAL = 1  # direction of bending: toward the hollow side of a section whose edges point toward the axle


def arc_problem(
    materials: tuple[Material, ...],
    angles: tuple[float, ...],
    thicknesses: tuple[float, ...],
    radius: float,
    turn: float,
    modes: int = 22,
) -> SectionProblem:
    """A straight strip with a circular section of constant layers; radius [mm], edge-to-edge turn [rad]."""
    edges = np.concatenate([[0.0], np.cumsum(thicknesses)])
    stack = Stack(edges - 0.5 * edges[-1], materials, angles)
    half = 0.5 * radius * turn

    def angle(q: Array) -> tuple[Array, Array]:
        return q / radius, np.full_like(q, 1.0 / radius)

    return SectionProblem((SectionZone(-half, half, stack),), angle, 0.0, modes)


# ---- two stable states ---------------------------------------------------------------------------

_TWO_STATES = (
    "Guest & Pellegrino 2006 (Proc. R. Soc. A 462:839), computed from the formula; ply data from memory"
)
_PLY = Material("glass ply", 26600.0, 2970.0, 0.4, 1390.0, 1e-9, 0.01)


def _plies(degrees: tuple[int, ...]) -> Laminate:
    z = np.asarray(0.21 * (np.arange(len(degrees) + 1) - 0.5 * len(degrees)), dtype=np.float64)
    return laminate(z, [_PLY.plane_stress(math.radians(angle)) for angle in degrees])


def _bending(degrees: tuple[int, ...], i: int, j: int) -> float:
    return float(_plies(degrees).D[i, j])


def _measure(degrees: tuple[int, ...], coupled: bool) -> float:
    layers = _plies(degrees)
    return bistability(layers if coupled else Laminate(layers.A, 0.0 * layers.B, layers.D)).measure


def _isotropic_sign() -> float:
    plate = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.005)
    return math.copysign(1.0, bistability(laminate([-0.05, 0.05], [plate.plane_stress()])).measure)


def _wide_coil(degrees: tuple[int, ...]) -> float:
    """Own coil radius over section radius of a wide thin strip, from the section's moment curve."""
    angles = tuple(math.radians(angle) for angle in degrees)
    count, radius = len(degrees), 6000.0
    problem = arc_problem((_PLY,) * count, angles, (0.21,) * count, radius, math.pi, modes=44)
    state = coiled_state(moment_curve(problem), EQUAL)
    return math.nan if state is None else 1.0 / (state.curvature * radius)


def _two_state_checks() -> list[Check]:
    five, four, twisted = (45, -45, 0, 45, -45), (45, -45, 45, -45), (45, -45, -45, 45)
    group, exact, digits = "two stable states", "sign only", "printed digits"
    rows: list[tuple[str, float, float, str, Callable[[], float]]] = [
        ("sign of the twist measure, isotropic", -1.0, 0.0, exact, _isotropic_sign),
        (
            "sign of the twist measure, +-45 antisymmetric",
            1.0,
            0.0,
            exact,
            lambda: math.copysign(1.0, _measure(four, True)),
        ),
        ("twist measure [45/-45/0/45/-45], no coupling", 1.406, 1e-3, digits, partial(_measure, five, False)),
        ("twist measure [45/-45/0/45/-45], coupled", 1.298, 1e-3, digits, partial(_measure, five, True)),
        ("twist measure [45/-45]2, no coupling", 1.499, 1e-3, digits, partial(_measure, four, False)),
        ("twist measure [45/-45]2, coupled", 1.235, 1e-3, digits, partial(_measure, four, True)),
        (
            "coil radius / R [45/-45/0/45/-45]",
            1.477,
            1e-3,
            digits,
            lambda: bistability(_plies(five)).coil_ratio,
        ),
        ("coil radius / R [45/-45]2", 1.482, 1e-3, digits, lambda: bistability(_plies(four)).coil_ratio),
        (
            "coil radius / R [45/-45/0/45/-45], wide section",
            1.477,
            0.02,
            "edge layers of width sqrt(R t) hold the coil open a little",
            partial(_wide_coil, five),
        ),
        (
            "coil radius / R [45/-45]2, wide section",
            1.482,
            0.02,
            "edge layers of width sqrt(R t) hold the coil open a little",
            partial(_wide_coil, four),
        ),
        ("D16 [45/-45/-45/45]", 222.8, 1e-3, digits, partial(_bending, twisted, 0, 2)),
    ]
    for degrees, name, values in (
        (five, "[45/-45/0/45/-45]", (932.1, 646.1, 913.5, 663.5)),
        (four, "[45/-45]2", (470.3, 333.0, 470.3, 341.9)),
    ):
        for (i, j), value in zip(((0, 0), (0, 1), (1, 1), (2, 2)), values, strict=True):
            key = f"D{'126'[i]}{'126'[j]}"
            rows.append((f"{key} {name}", value, 1e-3, digits, partial(_bending, degrees, i, j)))
    return [
        Check(name, group, "section", _TWO_STATES, value, limit, reason, compute)
        for name, value, limit, reason, compute in rows
    ]


# ---- layers --------------------------------------------------------------------------------------

_KAW = "Kaw, Mechanics of Composite Materials, 2nd ed., examples 4.2 and 4.3, from memory"
_KAW_PLY = Material("graphite/epoxy", 181000.0, 10300.0, 0.28, 7170.0, 1e-9, 0.01)
_KAW_TABLE = {  # Pa m, Pa m^2, Pa m^3; upper triangles 11 12 16 22 26 66
    "A": (1.7392e9, 3.8839e8, 5.6634e7, 4.5325e8, -1.1406e8, 4.5248e8),
    "B": (-3.1288e6, 9.8552e5, -1.0717e6, 1.1578e6, -1.0717e6, 9.8552e5),
    "D": (3.3432e4, 6.4610e3, -5.2403e3, 9.3198e3, -5.5959e3, 7.6628e3),
}
_KAW_SHAPE = (3.1229e-7, 3.4917e-6, -7.5984e-7, 2.9714e-5, -3.2850e-4, 4.1015e-4)  # strains, 1/m
_CROSS_TABLE = {  # [0/90], plies .125 mm: N/mm, N, N mm
    ("A", 0, 0): 24019.7,
    ("A", 0, 1): 724.23,
    ("A", 2, 2): 1792.5,
    ("B", 0, 0): -1339.57,
    ("B", 1, 1): 1339.57,
    ("D", 0, 0): 125.102,
    ("D", 0, 1): 3.7720,
    ("D", 2, 2): 9.3359,
}
_UPPER = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


@lru_cache(maxsize=4)
def _ply_stack(degrees: tuple[int, ...], thickness: float) -> Laminate:
    z = np.asarray(thickness * (np.arange(len(degrees) + 1) - 0.5 * len(degrees)), dtype=np.float64)
    return laminate(z, [_KAW_PLY.plane_stress(math.radians(angle)) for angle in degrees])


def _entry(
    degrees: tuple[int, ...], thickness: float, matrix: str, place: tuple[int, int], scale: float
) -> float:
    return float(getattr(_ply_stack(degrees, thickness), matrix)[place] * scale)


def _kaw_shape(i: int) -> float:
    loads = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0])  # 1000 N/m = 1 N/mm along and across
    scale = 1.0 if i < 3 else 1000.0
    return float(np.linalg.solve(_ply_stack((0, 30, -45), 5.0).abd, loads)[i] * scale)


def _bimetal(young: tuple[float, float], thickness: tuple[float, float], mismatch: float) -> float:
    z = np.array([0.0, thickness[0], sum(thickness)])
    layers = [Material.isotropic("layer", e, 0.0, 1e-9, 1.0).plane_stress() for e in young]
    free = np.array([[0.0, 0.0, 0.0], [mismatch, 0.0, 0.0]])
    return abs(float(free_shape(z, layers, free)[1][0]))


def _two_layers() -> Laminate:
    layers = [Material.isotropic("layer", e, 0.0, 1e-9, 1.0).plane_stress() for e in (2300.0, 30.0)]
    return laminate([0.0, 0.4, 1.2], layers)


def _flat_two_layers() -> float:
    """EI per width of a flat strip of the two layers, from the section's moment curve."""
    stack = Stack(
        np.array([-0.6, -0.2, 0.6]),
        tuple(Material.isotropic("layer", e, 0.0, 1e-9, 1.0) for e in (2300.0, 30.0)),
        (0.0, 0.0),
    )
    problem = SectionProblem((SectionZone(-5.0, 5.0, stack),), lambda q: (np.zeros_like(q), np.zeros_like(q)))
    return moment_curve(problem, np.array([-1e-4, 1e-4])).initial_stiffness / 10.0


def _layer_checks() -> list[Check]:
    group, five_digits = "layers", "five printed digits"
    checks = [
        Check(
            f"{matrix}{'126'[i]}{'126'[j]} of [0/30/-45]",
            group,
            "section",
            _KAW,
            value,
            1e-4,
            five_digits,
            partial(_entry, (0, 30, -45), 5.0, matrix, (i, j), {"A": 1e3, "B": 1.0, "D": 1e-3}[matrix]),
        )
        for matrix, values in _KAW_TABLE.items()
        for (i, j), value in zip(_UPPER, values, strict=True)
    ]
    checks += [
        Check(
            f"{key} of [0/30/-45] under 1000 N/m both ways",
            group,
            "section",
            _KAW,
            value,
            1e-4,
            five_digits,
            partial(_kaw_shape, i),
        )
        for i, (key, value) in enumerate(
            zip(("e_s", "e_q", "e_sq", "k_s", "k_q", "k_sq"), _KAW_SHAPE, strict=True)
        )
    ]
    checks += [
        Check(
            f"{matrix}{'126'[i]}{'126'[j]} of [0/90]",
            group,
            "section",
            "classical lamination theory, computed from the formulas (Jones; Kaw)",
            value,
            1e-4,
            five_digits,
            partial(_entry, (0, 90), 0.125, matrix, (i, j), 1.0),
        )
        for (matrix, i, j), value in _CROSS_TABLE.items()
    ]
    strip = "Timoshenko 1925 (J. Opt. Soc. Am. 11:233), formula from memory, computed from it"
    checks += [
        Check(
            f"curvature of a two-metal strip, {name}",
            group,
            "section",
            strip,
            value,
            1e-5,
            "algebra",
            partial(_bimetal, young, thickness, mismatch),
        )
        for name, young, thickness, mismatch, value in (
            (".5 + .5 mm", (145000.0, 105000.0), (0.5, 0.5), 17.8e-4, 0.00265258),
            (".3 + .7 mm", (145000.0, 105000.0), (0.3, 0.7), 17.8e-4, 0.00239398),
            ("stiff .4 on soft .8 mm", (2300.0, 30.0), (0.4, 0.8), 0.01, 0.00638863),
        )
    ]
    sums = "transformed section of two layers (strength of materials), computed"
    checks += [
        Check(
            "neutral axis from the stiff face, 2300 MPa .4 mm on 30 MPa .8 mm",
            group,
            "section",
            sums,
            0.21525,
            1e-4,
            five_digits,
            lambda: float(_two_layers().B[0, 0] / _two_layers().A[0, 0]),
        ),
        Check(
            "EI per width of the same layers",
            group,
            "section",
            sums,
            21.967,
            1e-4,
            five_digits,
            lambda: float(_two_layers().reduced()[0, 0]),
        ),
        Check(
            "EI per width of a flat strip of the same layers",
            group,
            "section",
            sums,
            21.967,
            1e-4,
            five_digits,
            _flat_two_layers,
        ),
    ]
    return checks


# ---- thick bends and hardness --------------------------------------------------------------------


def _bar(ratio: float, what: str) -> float:
    bar = curved_bar(ratio, 1.0)
    return {"rn": bar.neutral_radius, "e": bar.offset, "inner": bar.inner, "outer": bar.outer}[what]


def _other_checks() -> list[Check]:
    winkler = "Winkler's curved bar (Timoshenko, Strength of Materials II), computed from the formula"
    table = (
        (1.5, 1.44270, 0.057305, 1.2875, 0.8104),
        (2.5, 2.46630, 0.033697, 1.1532, 0.8799),
        (5.5, 5.48481, 0.015185, 1.0642, 0.9424),
        (10.5, 10.49206, 0.007941, 1.0327, 0.9691),
    )
    names = (
        ("rn", "neutral radius"),
        ("e", "offset"),
        ("inner", "inner face factor"),
        ("outer", "outer face factor"),
    )
    checks = [
        Check(
            f"curved bar r/h = {ratio:g}: {name}",
            "thick bends",
            "section",
            winkler,
            value,
            1e-4,
            "four to five printed digits",
            partial(_bar, ratio, key),
        )
        for ratio, *values in table
        for (key, name), value in zip(names, values, strict=True)
    ]
    gent, qi = "Gent 1958 (Trans. IRI 34:46)", "Qi, Joyce & Boyce 2003 (Rubber Chem. Technol. 76:419)"
    for hardness, scale, value_gent, value_qi in (
        (60.0, "A", 3.6, 5.9),
        (70.0, "A", 5.5, 10.1),
        (80.0, "A", 9.35, 17.4),
        (90.0, "A", 20.8, 29.8),
        (95.0, "A", 43.8, 39.1),
        (40.0, "D", math.nan, 29.8),
        (60.0, "D", math.nan, 88.0),
    ):
        for which, source, value in ((0, gent, value_gent), (1, qi, value_qi)):
            if math.isfinite(value):
                checks.append(
                    Check(
                        f"modulus of Shore {hardness:g}{scale}, {source.split()[0].strip(',')}",
                        "hardness",
                        "material",
                        source + ", computed from the formula",
                        value,
                        0.015,
                        "two to three printed digits",
                        partial(lambda h, s, i: shore_modulus(h, s)[i], hardness, scale, which),
                    )
                )
    return checks


LAYER_CHECKS: tuple[Check, ...] = (*_two_state_checks(), *_layer_checks(), *_other_checks())
