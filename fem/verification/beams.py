"""Plain beams for published checks of the rod: straight or circular strips with a flat or circular section.

A `Beam` is the least a rod can be built from, so that a check of the rod does not lean on the case reader or
the strip. Static states come from the same solvers as everywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from fem.core.term import Array, Term
from fem.design.curved_layers import curved_laminate
from fem.design.layup import Stack
from fem.design.material import Material
from fem.rod.energy import Rod, RodEnergy, build_rod, length_weights, rest_state
from fem.solvers.constraints import Ends
from fem.solvers.static_problem import Structure


@dataclass(frozen=True)
class Beam:
    """An isotropic strip: mm, MPa. curvature of its path and of its section are > 0 toward the axle
    (1/mm).
    """

    length: float
    width: float
    thickness: float
    young: float
    poisson: float = 0.0
    curvature: float = 0.0
    section_curvature: float = 0.0

    @property
    def bending_stiffness(self) -> float:
        """E b t^3 / 12 [N mm^2]."""
        return self.young * self.width * self.thickness**3 / 12.0

    @property
    def material(self) -> Material:
        return Material.isotropic("beam", self.young, self.poisson, 1e-9, 0.01)

    def width_at(self, s: Array) -> Array:
        """Width [mm] at stations."""
        return np.full(np.shape(s), self.width)

    def zone_edges_q(self) -> Array:
        """No zones across."""
        return np.zeros(0)

    def stack_at(self, s: float, q: float) -> Stack:  # noqa: ARG002 - the same everywhere
        """The one layer."""
        return Stack(0.5 * self.thickness * np.array([-1.0, 1.0]), (self.material,), (0.0,))

    def rest_arrays(self, s: Array, q: Array) -> SimpleNamespace:
        """Rest state at stations (n,) and places (m,) or (n, m)."""
        place = np.broadcast_to(q, (len(s), np.shape(q)[-1]))
        stack = self.stack_at(0.0, 0.0)
        phi, height = self.section_curvature * place, np.zeros(place.shape)
        if self.section_curvature:
            height = (1.0 - np.cos(phi)) / self.section_curvature
        along = self.curvature * np.cos(phi) / (1.0 - self.curvature * height)
        natural = np.stack([along, np.full(place.shape, self.section_curvature)], axis=-1)
        return SimpleNamespace(
            phi=phi,
            phi_s=np.zeros(place.shape),
            phi_q=np.full(place.shape, self.section_curvature),
            curvature=np.full(len(s), self.curvature),
            natural=natural,
            abd=curved_laminate(stack.z_edges, stack.plies, natural),
            mass=np.full(place.shape, self.material.density * self.thickness),
        )

    def position(self, s: Array, start: float = 0.0) -> tuple[Array, Array]:
        """Places (n, 2) and headings (n,) of the rest path from the origin at heading `start`."""
        heading = start + self.curvature * s
        if self.curvature == 0.0:
            return s[:, None] * np.array([np.cos(start), np.sin(start)]), heading
        x = (np.sin(heading) - np.sin(start)) / self.curvature
        return np.stack([x, (np.cos(start) - np.cos(heading)) / self.curvature], axis=1), heading


@dataclass(frozen=True, eq=False)
class Bench:
    """A rod at rest with its elastic term."""

    beam: Beam
    rod: Rod
    rest: Array
    energy: RodEnergy

    @classmethod
    def build(cls, beam: Beam, elements: int, start: float = 0.0) -> Bench:
        """Even elements; the root at the origin with heading `start`."""
        return cls.over(beam, np.linspace(0.0, beam.length, elements + 1), start)

    @classmethod
    def over(cls, beam: Beam, nodes: Array, start: float = 0.0) -> Bench:
        """Elements between the given stations (n,) [mm]."""
        rod = build_rod(beam, nodes)
        place, heading = beam.position(rod.nodes, start)
        return cls(beam, rod, rest_state(rod, place, heading), RodEnergy(rod))

    def number(self, node: int, name: str) -> int:
        """Unknown of a node: "x", "y", "x'" or "y'"."""
        return self.rod.index(node, "xy".index(name[0]), int(name.endswith("'")))

    def structure(
        self, held: list[tuple[int, str]], driven: list[Term], more: list[Term], travel: Array | None = None
    ) -> Structure:
        """Hold (node, name) pairs at rest values + level * travel; `driven` terms are multiplied by the
        level.

        The sections at both ends stay plane and keep their shape, as in a stiff end fitting: a force or
        moment taken by the mid-line alone would strain the ends locally, over about half a width.
        """
        line = [self.number(node, name) for node, name in held]
        modes = range(2, 2 + self.rod.modes)
        sections = [self.rod.index(node, field, d) for node in (0, -1) for field in modes for d in (0, 1)]
        warping = range(2 + self.rod.modes, self.rod.fields)
        sections += [self.rod.index(node, field) for node in (0, -1) for field in warping]
        numbers = np.array(line + sections, dtype=np.int64)
        if travel is not None:
            travel = np.concatenate([travel, np.zeros(len(sections))])
        ends = Ends(self.rod.size, numbers, self.rest[numbers], travel)
        return Structure([self.energy, *more], ends, driven, length_weights(self.rod))

    def place(self, u: Array, node: int = -1) -> Array:
        """Position (2,) of a node."""
        return np.array([u[self.number(node, "x")], u[self.number(node, "y")]])

    def heading(self, u: Array, node: int = -1) -> float:
        """Heading of a node, in (-pi, pi]."""
        return float(np.arctan2(u[self.number(node, "y'")], u[self.number(node, "x'")]))


@dataclass(frozen=True, eq=False)
class UniformBending:
    """A rod bent evenly: one short element whose fields do not change along it, per length of strip.

    Free are the stretch and the opening amplitudes, x = (l, b). Warping is zero: were it to grow along the
    strip, so would its shear. The path's heading is 0 in the middle of the element.
    """

    bench: Bench

    @classmethod
    def build(cls, beam: Beam) -> UniformBending:
        """An element of a thousandth of the width, so short that its path is an arc."""
        return cls(Bench.build(Beam(1e-3 * beam.width, beam.width, beam.thickness, beam.young, beam.poisson,
                                    beam.curvature, beam.section_curvature), 1))  # fmt: skip

    @property
    def rest(self) -> Array:
        """The x of the unbent strip."""
        rod = self.bench.rod
        return np.concatenate([[1.0], np.zeros(rod.modes)])

    def shape(self, turning: float) -> Array:
        """Matrix (unknowns, len(x)) that takes x to the rod's unknowns at a curvature [1/mm]."""
        rod = self.bench.rod
        size = float(rod.nodes[-1])
        result = np.zeros((rod.size, 1 + rod.modes))
        for node, s in enumerate((-0.5 * size, 0.5 * size)):
            angle = turning * s
            half = 0.5 * angle
            chord = s * (np.sin(half) / half if half else 1.0)
            values = (chord * np.cos(half), chord * np.sin(half), np.cos(angle), np.sin(angle))
            for name, value in zip(("x", "y", "x'", "y'"), values, strict=True):
                result[self.bench.number(node, name), 0] = value
            for field in range(2, 2 + rod.modes):
                result[rod.index(node, field), field - 1] = 1.0
        return result

    def solve(self, turning: float, x: Array) -> tuple[Array, float, float]:
        """The x near a given one, energy per length [N] and moment [N mm] at a curvature; ArithmeticError if
        unstable.

        The moment is dU/d(turning) at fixed x, by a central difference of the energy.
        """
        size = float(self.bench.rod.nodes[-1])
        shape = self.shape(turning)
        for _ in range(60):
            got = self.bench.energy.evaluate(shape @ x, 2)
            gradient, (block,) = shape.T @ got.gradient, got.blocks
            local = shape[block.dofs[0]]
            hessian = local.T @ block.values[0] @ local
            step = -np.linalg.solve(hessian, gradient)
            x = x + step
            if float(-gradient @ step) < 1e-24 + 1e-18 * got.energy:
                break
        if np.linalg.eigvalsh(hessian)[0] <= 0.0:
            raise ArithmeticError(f"no stable section at curvature {turning:g}")
        h = 1e-4 * max(abs(turning), 1e-3 / self.bench.beam.width)
        ahead, behind = (self._energy(self.shape(turning + d) @ x) for d in (h, -h))
        return x, self._energy(shape @ x) / size, (ahead - behind) / (2.0 * h * size)

    def _energy(self, u: Array) -> float:
        return self.bench.energy.evaluate(u, 0).energy

    def curve(self, turnings: Array) -> tuple[Array, Array]:
        """Energies and moments (n,) along curvatures (n,), each followed from the one before."""
        x, energies, moments = self.rest, [], []
        for turning in turnings:
            x, energy, moment = self.solve(float(turning), x)
            energies.append(energy)
            moments.append(moment)
        return np.array(energies), np.array(moments)
