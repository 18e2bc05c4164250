"""Published checks of the shell: nonlinear shells of many shapes, folds, coils, pushed strips, buckling.

Whole curves are compared by their largest deviation over full scale (published 0, absolute), curves that turn
back on themselves by the distance of the published points from the computed curve, each axis over its range.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from fem.core.term import Array
from fem.verification import folds, shells, tables
from fem.verification.published import BISSHOPP, SZE, WUEST, Check

HARDER = "MacNeal & Harder 1985 (Finite Elem. Anal. Des. 1:3)"
FOLDED = f"{WUEST} with large rotation of the section, equal-energy rule, computed from the formula"
MESHED = "the tabulated digits come from shear-flexible elements and are good to about 0.5 to 1 %"

Compute = Callable[[], float]


@dataclass(frozen=True)
class _ShellGroup:
    """Checks under one heading."""

    name: str

    def curve(self, name: str, source: str, tolerance: float, reason: str, compute: Compute) -> Check:
        """A whole curve: its largest deviation must stay below the tolerance."""
        return Check(name, self.name, "shell", source, 0.0, tolerance, reason, compute, relative=False)

    def value(
        self, name: str, source: str, published: float, why: tuple[float, str], compute: Compute
    ) -> Check:
        """One number, with its relative tolerance and the reason for it."""
        return Check(name, self.name, "shell", source, published, why[0], why[1], compute)


SHELLS, LINEAR = _ShellGroup("nonlinear shells"), _ShellGroup("linear shells")
FOLDS, STRIPS = _ShellGroup("folds"), _ShellGroup("pushed, coiled and buckled strips")


def _worst_of_two(curves: Callable[[], tuple[Array, Array]], published: tuple[Array, Array]) -> float:
    return max(shells.largest_deviation(a, np.asarray(b)) for a, b in zip(curves(), published, strict=True))


def _beam_checks() -> list[Check]:
    table = (np.array(tables.CANTILEVER_SHORTENING), np.array(tables.CANTILEVER_RISE))
    elliptic = f"{BISSHOPP}; elliptic integrals, computed"
    sheared = partial(_worst_of_two, shells.cantilever, table)
    rolled = partial(_worst_of_two, shells.roll_up, shells.roll_up_exact())
    return [
        SHELLS.curve("cantilever, end shear, 20 loads (8 x 1)", SZE, 5e-3, MESHED, sheared),
        SHELLS.value(
            "cantilever, end shear, last rise (8 x 1)",
            elliptic,
            6.6996,
            (5e-3, "eight elements"),
            lambda: float(shells.cantilever()[1][-1]),
        ),
        SHELLS.curve(
            "cantilever rolled to a full circle, 20 moments (12 x 1)",
            "exact arc of radius EI/M; " + SZE,
            5e-3,
            "twelve elements; the mid-line also shortens by (t k)^2/12",
            rolled,
        ),
    ]


def _pull_column(row: int) -> float:
    """Largest relative error of one column of the pulled cylinder."""
    columns = (tables.PULL_RISE, tables.PULL_SIDE, tables.PULL_END)
    mask, _ = shells.pull_levels()
    published, computed = np.array(columns[row])[mask], shells.pulled_cylinder()
    if computed.shape[1] != published.size:
        return float("inf")
    return float(np.max(np.abs(computed[row] / published - 1.0)))


def _cylinder_checks() -> list[Check]:
    shear = (
        "as the others; the table also holds a transverse shear deflection under the point load, of order "
        "P/(2 pi k G h) = .02 at full load, that a thin shell does not have"
    )
    columns = ("rise under the load", "inward move at 90 deg, middle", "inward move at 90 deg, end")
    checks = [
        SHELLS.curve(
            f"open cylinder pulled apart, {name}, loads <= .45 and >= .60 (12 x 16)",
            SZE,
            1e-2,
            MESHED if row else shear,
            partial(_pull_column, row),
        )
        for row, name in enumerate(columns)
    ]
    table = np.array(tables.PINCHED_DROP)
    name = "pinched semi-cylinder, 25 loads over full scale (16 x 16)"
    checks.append(
        SHELLS.curve(
            name, SZE, 1e-2, MESHED, lambda: shells.largest_deviation(shells.pinched_semi_cylinder(), table)
        )
    )
    return checks


@dataclass(frozen=True)
class _Roof:
    """One of the published roofs: thickness, ply angles, table of points, tolerance, mesh."""

    thickness: float
    angles: tuple[float, ...]
    table: tuple[tuple[float, float], ...]
    tolerance: float
    elements: int

    @property
    def name(self) -> str:
        """How the source calls it."""
        plies = "/".join(f"{angle:g}" for angle in self.angles)
        return f"hinged roof {self.thickness:g} " + (f"[{plies}]" if plies else "isotropic")

    def distance(self) -> float:
        """Largest distance of a published point from the curve."""
        _, drop, level = shells.roof(self.thickness, self.angles, self.elements)
        return float(shells.curve_distance((level, drop), np.array(self.table)).max())

    def limit(self) -> float:
        """First limit load [N]."""
        branch, _, _ = shells.roof(self.thickness, self.angles, self.elements)
        return 3000.0 * branch.events[0].level


def _roof_checks() -> list[Check]:
    roofs = (
        (_Roof(12.7, (), tables.ROOF_THICK, 1e-2, 6), 2226.0),
        (_Roof(12.7, (90.0, 0.0, 90.0), tables.ROOF_THICK_LAYERED, 1.5e-2, 6), 0.5970 * 3000.0),
        (_Roof(6.35, (), tables.ROOF_THIN, 1e-2, 8), 586.0),
        (_Roof(6.35, (0.0, 90.0, 0.0), tables.ROOF_THIN_LAYERED, 1.5e-2, 8), None),
    )
    checks = []
    for roof, limit in roofs:
        mesh = f"({roof.elements} x {roof.elements})"
        name = f"{roof.name}, 36 points {mesh}"
        checks.append(SHELLS.curve(name, SZE, roof.tolerance, MESHED, roof.distance))
        if limit is not None:
            name = f"{roof.name}, limit load {mesh}"
            checks.append(SHELLS.value(name, SZE, limit, (roof.tolerance, MESHED), roof.limit))
    return checks


def _annulus(corner: int) -> float:
    return float(shells.slit_annulus(elements=(6, 40))[corner][-1])


def _memory_checks() -> list[Check]:
    source = SZE + " (digits from memory)"
    why = (1e-2, MESHED)
    return [
        SHELLS.value("slit ring lifted, inner corner (6 x 40)", source, 13.891, why, partial(_annulus, 0)),
        SHELLS.value("slit ring lifted, outer corner (6 x 40)", source, 17.528, why, partial(_annulus, 1)),
        SHELLS.value(
            "hemisphere pulled far, outward (16 x 16)",
            source,
            4.067,
            why,
            lambda: shells.pulled_hemisphere()[0],
        ),
        SHELLS.value(
            "hemisphere pulled far, inward (16 x 16)",
            source,
            8.178,
            why,
            lambda: shells.pulled_hemisphere()[1],
        ),
    ]


def _column_checks() -> list[Check]:
    elastica = (
        "elastica of a column built in at one end (Timoshenko & Gere, ch. 2), computed from the formula"
    )
    why = (5e-3, "eight elements")
    names = (
        ("buckling load / Euler, by arc-length", 1.0),
        ("sideways / L at P / Euler 1.15172, crossing branch", 0.5932),
        ("along / L at P / Euler 1.15172, crossing branch", 0.7410),
    )
    return [
        STRIPS.value(f"column, {name} (8 x 1)", elastica, value, why, partial(_column, which))
        for which, (name, value) in enumerate(names)
    ]


def _column(which: int) -> float:
    return shells.buckled_column()[which]


def _beam_tip(thickness: float, load: float, which: int) -> float:
    return shells.twisted_beam(thickness, load, 24)[which]


def _linear_checks() -> list[Check]:
    beam = f"Zupan & Saje 2004 (Finite Elem. Anal. Des. 40:1445); {HARDER}"
    thin = "Simo, Fox & Rifai 1989 (Comput. Methods Appl. Mech. Engng 73:53)"
    sphere = HARDER + ", 0.0940; Simo, Fox & Rifai 1989, 0.0930; from memory"
    mesh = (1e-2, "mesh")
    thick = (1e-2, "t/w = .29: transverse shear, not in a thin shell, counts")
    checks = [
        LINEAR.value(
            f"twisted beam t {t:g}, load {('across', 'along')[which]} (24 x 3)",
            source,
            published,
            why,
            partial(_beam_tip, t, load, which),
        )
        for t, load, which, source, published, why in (
            (0.32, 1.0, 0, beam, 0.001754, thick),
            (0.32, 1.0, 1, beam, 0.005424, thick),
            (0.0032, 1e-6, 0, thin, 0.001294, mesh),
            (0.0032, 1e-6, 1, thin, 0.005256, mesh),
        )
    ]
    barrel = "Scordelis & Lo 1964 (ACI J. 61:539); converged thin shell"
    squeezed = partial(shells.pinched_cylinder, 16)
    between = (1e-2, "the two published values differ by 1 %; their mean is used")
    return [
        *checks,
        LINEAR.value("barrel roof, free edge (8 x 8)", barrel, 0.30059245662, mesh, shells.barrel_roof),
        LINEAR.value("pinched cylinder (16 x 16)", "Lindberg et al. 1969", 1.82488e-5, mesh, squeezed),
        LINEAR.value("hemisphere with an 18 deg hole (10 x 10)", sphere, 0.0935, between, shells.hemisphere),
    ]


@dataclass(frozen=True)
class _Fold:
    """A fold and the three numbers read from it."""

    make: Callable[[], folds.FoldTrial]
    radius: float

    def peak(self) -> float:
        """Peak moment [N mm]."""
        return self.make().peak()

    def steady(self) -> float:
        """Steady moment [N mm]."""
        return self.make().steady()

    def ratio(self) -> float:
        """Fold radius over section radius."""
        return float(self.make().radius[-1]) / self.radius


def _fold_checks() -> list[Check]:
    checks = []
    settling = "a fold of 60 deg has not quite settled"
    for thickness, radius, angle, peak, steady, ratio in (
        (0.1, 15.0, 90.0, 377.4, 37.12, 1.082),
        (0.12, 14.0, 100.0, 695.4, 71.17, 1.084),
    ):
        fold = _Fold(partial(folds.steel_fold, thickness, radius, angle), radius)
        name = f"steel strip t {thickness:g}, R {radius:g}, {angle:g} deg, opposite"
        ends = (0.10, "ends held in shape, 240 mm long")
        checks += [
            FOLDS.value(f"{name}: peak moment", FOLDED, peak, ends, fold.peak),
            FOLDS.value(f"{name}: steady moment", FOLDED, steady, (0.02, settling), fold.steady),
            FOLDS.value(f"{name}: fold radius / R", FOLDED, ratio, (0.03, settling), fold.ratio),
        ]
    printed = (0.03, "mesh, and a section of shallow strain in the formula")
    for sense, word, steady, ratio in (
        (folds.OPPOSITE, "opposite", 208.2, 1.239),
        (folds.EQUAL, "equal", 105.8, 1.129),
    ):
        fold = _Fold(partial(folds.printed_fold, sense), 25.0)
        name = f"printed strip t .8, R 25, {word}"
        checks += [
            FOLDS.value(f"{name}: steady moment", FOLDED, steady, printed, fold.steady),
            FOLDS.value(f"{name}: fold radius / R", FOLDED, ratio, printed, fold.ratio),
        ]
    twist = "Mansfield 1973 (Proc. R. Soc. A 334:279), from memory: lost to twisting well below the even peak"
    fold = _Fold(folds.steel_equal, 15.0)
    name = "steel strip t .1, R 15, equal"
    return [
        *checks,
        FOLDS.curve(
            f"{name}: moment at which it twists over, share of the peak of even bending",
            twist,
            0.5,
            "well below means less than half",
            lambda: fold.peak() / 369.3,
        ),
        FOLDS.value(
            f"{name}: steady moment", FOLDED, 20.51, (0.05, "a fold of 80 deg, full width"), fold.steady
        ),
    ]


def _load_share(step: int) -> float:
    return float(np.linalg.norm(folds.pushed_flat_strip().force[step])) / folds.euler_load()


def _middle(step: int) -> float:
    return folds.mid_deflection(folds.pushed_flat_strip(), step)


def _coil_error(which: str) -> float:
    trial, energy, moment = folds.boom_coil()
    computed, section = (trial.energy, energy) if which == "energy" else (trial.moment, moment)
    return abs(float(computed[-1]) / section - 1.0)


def _strip_checks() -> list[Check]:
    elastica = "elastica, elliptic integrals (Timoshenko & Gere, ch. 2), computed from the formula"
    checks = []
    for step, load, deflection in (
        (4, 1.025724, 0.140111),
        (5, 1.052987, 0.194924),
        (7, 1.112739, 0.266319),
        (11, 1.349449, 0.373306),
    ):
        name, why = f"at d/L {folds.SHORTENINGS[step] / 100.0:g} (7 mm elements)", (0.01, "mesh")
        pushed, middle = partial(_load_share, step), partial(_middle, step)
        checks += [
            STRIPS.value(f"pushed flat strip, load / Euler {name}", elastica, load, why, pushed),
            STRIPS.value(f"pushed flat strip, deflection / L {name}", elastica, deflection, why, middle),
        ]
    coiled = "section model of this program, itself checked against " + FOLDED
    for which in ("energy", "moment"):
        name = f"boom section coiled one turn at radius 3: {which} against the section"
        checks.append(STRIPS.curve(name, coiled, 0.02, "two models", partial(_coil_error, which)))
    sideways = shells.lateral_buckling_formula()
    narrow = (0.02, "t/h = .02 and h/L = .02, a narrow strip in the formula")
    second_order = (0.05, "second-order theory; full rotation lies a few per cent lower")
    return [
        *checks,
        STRIPS.value(
            "narrow cantilever on edge, sideways buckling [N]",
            "Timoshenko & Gere, ch. 6 (from memory)",
            sideways,
            narrow,
            shells.lateral_buckling,
        ),
        STRIPS.value(
            "ovalising tube, greatest moment [N mm]",
            "Brazier 1927 (Proc. R. Soc. A 116:104), from memory",
            folds.brazier_moment(),
            second_order,
            folds.tube_limit,
        ),
    ]


SHELL_CHECKS: tuple[Check, ...] = (
    *_beam_checks(),
    *_cylinder_checks(),
    *_memory_checks(),
    *_roof_checks(),
    *_linear_checks(),
    *_fold_checks(),
    *_strip_checks(),
    *_column_checks(),
)
