"""What a strip is made of: linear plane-stress laws, a small library, and layers summed to a laminate.

A material is isotropic (printed polymer, metal) or one orthotropic ply (fibres in a matrix). A stack of
layers acts on the mid-plane of the nominal stack through classical lamination theory,

    (N, M) = [[A, B], [B, D]] (e, k),   strain at height z = e + z k,

components in the order (s, q, sq) with engineering shear: s along the strip, q across, z along the surface
normal toward the axle. Ply angles turn from s toward q.

Every library value is a start value with its source, its spread and what printing does to it; measure the
strip that matters. Sources marked "from memory" were recalled, not looked up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array
from fem.core.units import Density, FrictionCoefficient, Modulus, PoissonRatio, StrainLimit


@dataclass(frozen=True)
class Fact:
    """One number of a material: value, low and high end of its spread, source and caveat."""

    quantity: str
    value: float
    unit: str
    low: float
    high: float
    source: str
    caveat: str = ""


@dataclass(frozen=True)
class Material:
    """Linear elastic plane-stress material; direction 1 is the fibre (or raster) direction.

    young_1, young_2, shear_12 [MPa]; density [tonne/mm^3]; strain_limit: elastic limit as a strain along 1,
    strain_limit_2 across it (nan: the same); friction: coefficient against itself or a smooth plastic, for
    information only (nan: unknown). Raises InputError naming every value that cannot be.
    """

    name: str
    young_1: Modulus
    young_2: Modulus
    poisson_12: PoissonRatio
    shear_12: Modulus
    density: Density
    strain_limit: StrainLimit
    source: str = "case file"
    spread: str = "not given"
    caveat: str = ""
    friction: FrictionCoefficient = math.nan
    strain_limit_2: StrainLimit = math.nan
    facts: tuple[Fact, ...] = ()

    def __post_init__(self) -> None:
        wrong = [
            f"{key} must be a finite number > 0, got {value:g}"
            for key, value in (
                ("young_1", self.young_1),
                ("young_2", self.young_2),
                ("shear_12", self.shear_12),
                ("density", self.density),
                ("strain_limit", self.strain_limit),
            )
            if not (math.isfinite(value) and value > 0.0)
        ]
        if not wrong and not self.poisson_12**2 < self.young_1 / self.young_2:
            wrong.append(
                f"poisson_12 squared must be < young_1/young_2 = {self.young_1 / self.young_2:.4g} "
                f"(positive strain energy), got poisson_12 = {self.poisson_12:g}"
            )
        if wrong:
            raise InputError(f"material {self.name}: " + "; ".join(wrong))

    @classmethod
    def isotropic(
        cls,
        name: str,
        young: float,
        poisson: float,
        density: float,
        strain_limit: float,
        friction: float = math.nan,
    ) -> Material:
        """Isotropic material: young [MPa], poisson in (-1, 0.5], density [tonne/mm^3]."""
        if not -1.0 < poisson <= 0.5:
            raise InputError(f"material {name}: poisson must be in (-1, 0.5], got {poisson:g}")
        shear = young / (2.0 * (1.0 + poisson))
        return cls(name, young, young, poisson, shear, density, strain_limit, friction=friction)

    @property
    def is_isotropic(self) -> bool:
        """True when turning the material changes nothing."""
        shear = self.young_1 / (2.0 * (1.0 + self.poisson_12))
        return math.isclose(self.young_1, self.young_2) and math.isclose(self.shear_12, shear, rel_tol=1e-6)

    def plane_stress(self, angle: float = 0.0) -> Array:
        """Reduced stiffness (3, 3) [MPa] in (s, q, sq) of direction 1 at `angle` [rad] from s toward q.

        Jones, Mechanics of Composite Materials, eqs. 2.66 and 2.84 (numbers from memory).
        """
        poisson_21 = self.poisson_12 * self.young_2 / self.young_1
        scale = 1.0 - self.poisson_12 * poisson_21
        stiffness = np.array(
            [
                [self.young_1 / scale, self.poisson_12 * self.young_2 / scale, 0.0],
                [self.poisson_12 * self.young_2 / scale, self.young_2 / scale, 0.0],
                [0.0, 0.0, self.shear_12],
            ]
        )
        turn = _strain_turn(angle)
        return np.asarray(turn.T @ stiffness @ turn)

    def strain_share(self, strain: Array, angle: float = 0.0) -> Array:
        """Share of the elastic limit used by strains (..., 3) in (s, q, sq); 1 = at the limit.

        Isotropic: largest principal in-plane strain over the limit. Ply: larger of the strains along and
        across direction 1, each over its own limit (maximum-strain criterion).
        """
        if self.is_isotropic:
            mean = 0.5 * (strain[..., 0] + strain[..., 1])
            radius = np.hypot(0.5 * (strain[..., 0] - strain[..., 1]), 0.5 * strain[..., 2])
            return np.asarray((np.abs(mean) + radius) / self.strain_limit)
        own = strain @ _strain_turn(angle).T
        across = self.strain_limit_2 if math.isfinite(self.strain_limit_2) else self.strain_limit
        return np.asarray(np.maximum(np.abs(own[..., 0]) / self.strain_limit, np.abs(own[..., 1]) / across))


def _strain_turn(angle: float) -> Array:
    """Matrix (3, 3) that takes strains (s, q, sq) to the axes (1, 2) turned by `angle`."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])


@dataclass(frozen=True)
class Laminate:
    """A [N/mm], B [N], D [N mm], each (3, 3), about z = 0."""

    A: Array
    B: Array
    D: Array

    @property
    def abd(self) -> Array:
        """The (6, 6) matrix [[A, B], [B, D]]."""
        return np.block([[self.A, self.B], [self.B, self.D]])

    def reduced(self) -> Array:
        """Bending stiffness (3, 3) with all membrane forces free: D* = D - B A^-1 B."""
        return np.asarray(self.D - self.B @ np.linalg.solve(self.A, self.B))


def laminate(z_edges: Sequence[float] | Array, stiffnesses: Sequence[Array] | Array) -> Laminate:
    """Sum n layers between heights z_edges (n + 1,) [mm] with reduced stiffnesses (n, 3, 3) [MPa].

    Classical lamination theory (Kaw, Mechanics of Composite Materials, 2nd ed., eq. 4.28).
    """
    z = np.asarray(z_edges, dtype=float)
    q = np.asarray(stiffnesses, dtype=float)
    if q.shape != (z.size - 1, 3, 3):
        raise InputError(f"{z.size} heights need {z.size - 1} stiffnesses of 3 x 3, got shape {q.shape}")
    moments = [np.einsum("k,kij->ij", np.diff(z**p) / p, q) for p in (1, 2, 3)]
    return Laminate(*moments)


def free_shape(
    z_edges: Sequence[float] | Array, stiffnesses: Sequence[Array] | Array, free_strains: Array
) -> tuple[Array, Array]:
    """Mid-plane strain (3,) and curvature (3,) [1/mm] of an unloaded stack whose layers want to strain.

    free_strains (n, 3): the strain each layer would take alone (heat, shrinkage). Kaw, eq. 4.64.
    """
    z = np.asarray(z_edges, dtype=float)
    pull = np.einsum("kij,kj->ki", np.asarray(stiffnesses, dtype=float), free_strains)
    loads = np.concatenate([(np.diff(z**p) / p) @ pull for p in (1, 2)])
    shape = np.linalg.solve(laminate(z_edges, stiffnesses).abd, loads)
    return shape[:3], shape[3:]


def condense(stiffness: Array, kept: Sequence[int]) -> Array:
    """Stiffness (..., m, m) of the kept strains when the resultants of all others vanish.

    stiffness (..., n, n) symmetric positive definite in the others; Schur complement.
    """
    keep = np.asarray(kept)
    free = np.setdiff1d(np.arange(stiffness.shape[-1]), keep)
    kk = stiffness[..., keep[:, None], keep]
    kf = stiffness[..., keep[:, None], free]
    ff = stiffness[..., free[:, None], free]
    return np.asarray(kk - kf @ np.linalg.solve(ff, np.swapaxes(kf, -1, -2)))


def rod_reduced(abd: Array) -> Array:
    """Stiffness (..., 5, 5) for (e_s, shear, k_s, k_q, k_sq) of abd (..., 6, 6) with no force across."""
    return condense(abd, (0, 2, 3, 4, 5))


def shore_modulus(hardness: float, scale: str = "A") -> tuple[float, float]:
    """Young's modulus [MPa] from Shore hardness, by two formulas; start values only.

    Gent 1958 (Trans. IRI 34:46) holds for scale A alone, nan on D. Qi, Joyce & Boyce 2003 (Rubber Chem.
    Technol. 76:419): log10 E = .0235 S - .6403, S = hardness on A (20-80) or hardness + 50 on D (30-85).
    """
    if scale not in ("A", "D"):
        raise InputError(f"Shore scale must be A or D, got {scale}")
    qi = 10.0 ** (0.0235 * (hardness + (50.0 if scale == "D" else 0.0)) - 0.6403)
    if scale == "D":
        return math.nan, float(qi)
    return 0.0981 * (56.0 + 7.62336 * hardness) / (0.137505 * (254.0 - 2.54 * hardness)), float(qi)


def known(name: str) -> Material:
    """The library material of that name; InputError lists the names there are."""
    for material in LIBRARY:
        if material.name == name:
            return material
    raise InputError(f"unknown material {name}; known: {', '.join(m.name for m in LIBRARY)}")


_MEMORY = "handbook range, from memory"
_PRACTICE = "common practice, no source"
_SHORE = "hardness formulas of Gent 1958 and of Qi, Joyce & Boyce 2003"
_TABLES = "additive.tools material tables (inter-source ranges)"
_RATE = "stiffens with speed (up to +183 % from .006 to 16 /s: Haid et al. 2022) and relaxes 15-40 % in a day"
_LAYUP = "direction-dependent: 145.8 MPa along, 100.4 across the raster in one grade (Eng. Proc. 2025 113:19)"
_CREEP = "relaxes 20-40 % in a day at 1-2 % strain (from memory): do not store it coiled"
_SLIDE = "sweep it: surface, dirt and load change it more than the material does"


def _from_facts(name: str, *facts: Fact) -> Material:
    """Build a material from its facts; those that are missing follow from isotropy."""
    by = {fact.quantity: fact for fact in facts}
    young = by["young_1"]
    across = by.get("young_2", young).value
    poisson = by["poisson_12"].value
    shear = by["shear_12"].value if "shear_12" in by else young.value / (2.0 * (1.0 + poisson))
    return Material(
        name, young.value, across, poisson, shear, by["density"].value, by["strain_limit"].value,
        source=young.source, spread=f"{young.low:g} to {young.high:g} MPa", caveat=young.caveat,
        friction=by["friction"].value if "friction" in by else math.nan,
        strain_limit_2=by["strain_limit_2"].value if "strain_limit_2" in by else math.nan, facts=facts,
    )  # fmt: skip


def _tpu(name: str, young: Fact) -> Material:
    """A printed thermoplastic polyurethane; grades differ by stiffness alone."""
    return _from_facts(
        name,
        young,
        Fact("poisson_12", 0.47, "-", 0.45, 0.49, _MEMORY, "sparse infill lowers it"),
        Fact("density", 1.22e-9, "tonne/mm^3", 1.20e-9, 1.25e-9, _TABLES, "less with voids"),
        Fact("strain_limit", 0.10, "-", 0.05, 0.20, _PRACTICE,
             "first cycles soften and leave set; breaks far later (400-700 % along, 150-400 % across)"),
        Fact("friction", 0.6, "-", 0.4, 1.0, "steel or plastic against TPU, " + _MEMORY, _SLIDE),
    )  # fmt: skip


LIBRARY: tuple[Material, ...] = (
    _tpu("tpu-85a", Fact("young_1", 18.0, "MPa", 10.0, 24.0, _SHORE + " (13.2, 22.8)", _RATE)),
    _tpu("tpu-90a", Fact("young_1", 25.0, "MPa", 15.0, 30.0, _SHORE + " (20.8, 29.8)", _RATE)),
    _tpu("tpu-95a", Fact("young_1", 41.0, "MPa", 25.0, 146.0, _SHORE + " (43.8, 39.1)",
                         _RATE + "; " + _LAYUP)),
    _tpu("tpu-70d", Fact("young_1", 151.0, "MPa", 150.0, 500.0, "hardness formula of Qi, Joyce & Boyce 2003",
                         "formula value is the low end of reported grades; " + _RATE)),
    _from_facts(
        "pla",
        Fact("young_1", 2900.0, "MPa", 2300.0, 4000.0, "printed 2300-3500 (from memory), " + _TABLES, _CREEP),
        Fact("poisson_12", 0.34, "-", 0.33, 0.36, _MEMORY, "sparse infill lowers it"),
        Fact("density", 1.24e-9, "tonne/mm^3", 1.22e-9, 1.26e-9, _TABLES, "less with voids"),
        Fact("strain_limit", 0.015, "-", 0.015, 0.020, "yield strain, from memory", "less across layers"),
        Fact("friction", 0.35, "-", 0.2, 0.76, ".2-.5 on steel (from memory); .62-.76 printed "
             "(Mater. Sci.-Pol. 2025, doi 10.2478/msp-2025-0039)", _SLIDE),
    ),
    _from_facts(
        "petg",
        Fact("young_1", 1900.0, "MPa", 1500.0, 3000.0, "printed 1500-2200 (from memory), " + _TABLES,
             "relaxes 20-35 % in a day at 1-2 % strain (from memory)"),
        Fact("poisson_12", 0.39, "-", 0.38, 0.40, _MEMORY, "sparse infill lowers it"),
        Fact("density", 1.27e-9, "tonne/mm^3", 1.25e-9, 1.29e-9, _TABLES, "less with voids"),
        Fact("strain_limit", 0.030, "-", 0.030, 0.040, "yield strain, from memory", "less across layers"),
        Fact("friction", 0.3, "-", 0.2, 0.5, "on steel, " + _MEMORY, _SLIDE),
    ),
    _from_facts(
        "pa12",
        Fact("young_1", 1650.0, "MPa", 1387.0, 2310.0, "sintered 1600-1800 (from memory), 1387 "
             "(PMC10406103), 2310 dense (Rapid Prototyping J. 14:260)", "humidity and powder age change it"),
        Fact("poisson_12", 0.40, "-", 0.38, 0.41, ".408 (Rapid Prototyping J. 14:260)", ""),
        Fact("density", 0.95e-9, "tonne/mm^3", 0.88e-9, 1.01e-9, _TABLES, "porosity"),
        Fact("strain_limit", 0.040, "-", 0.040, 0.050, "yield strain, from memory", "less across layers"),
        Fact("friction", 0.3, "-", 0.15, 0.5, "polyamide, " + _MEMORY, _SLIDE),
    ),
    _from_facts(
        "spring-steel",
        Fact("young_1", 206000.0, "MPa", 205000.0, 207000.0, "tempered carbon-steel strip, from memory",
             "not printed; edges are sharp and stored energy can injure"),
        Fact("poisson_12", 0.29, "-", 0.28, 0.30, "tempered carbon-steel strip, from memory", ""),
        Fact("density", 7.85e-9, "tonne/mm^3", 7.8e-9, 7.9e-9, _MEMORY, ""),
        Fact("strain_limit", 0.0073, "-", 0.0073, 0.0088, "yield 1500-1800 MPa over E, from memory",
             "forming, welds and holes lower it; fatigue lowers it further"),
        Fact("friction", 0.5, "-", 0.4, 0.8, "steel on steel, dry, " + _MEMORY, _SLIDE),
    ),
    _from_facts(
        "cfrp-ply",
        Fact("young_1", 181000.0, "MPa", 161000.0, 181000.0, "Tsai & Hahn 1980, carbon/epoxy ply",
             "autoclave laminate, ply .125 mm; chopped-fibre filament is nothing like it; splinters"),
        Fact("young_2", 10300.0, "MPa", 9000.0, 11400.0, "Tsai & Hahn 1980", ""),
        Fact("shear_12", 7170.0, "MPa", 5200.0, 7170.0, "Tsai & Hahn 1980", "softens with strain"),
        Fact("poisson_12", 0.28, "-", 0.27, 0.34, "Tsai & Hahn 1980", ""),
        Fact("density", 1.6e-9, "tonne/mm^3", 1.55e-9, 1.62e-9, "substech.com, 70 % carbon in epoxy", ""),
        Fact("strain_limit", 0.0083, "-", 0.007, 0.013,
             "1500 MPa (substech.com) over E", "less in compression"),
        Fact("strain_limit_2", 0.0039, "-", 0.0035, 0.006,
             "40 MPa (substech.com) over E", "matrix cracks"),
        Fact("friction", 0.3, "-", 0.2, 0.4, _PRACTICE, _SLIDE),
    ),
)  # fmt: skip
