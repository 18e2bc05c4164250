"""Everything is a term of one potential.

Strain energy, contact, friction, inertia and loads are all *terms*: functions of the vector of unknowns u
that give an energy (where there is one), its gradient and its second derivative as small dense blocks.
Solvers add terms up and know nothing else; a new obstacle, law or load is one more term.

Coulomb friction has no potential. A term with friction therefore has a history, the slip of the last accepted
step, and holds normal forces, directions and pairs while a minimisation runs; with these held, friction is an
energy too. `FrictionTerm` says what a solver and a stepper may ask of such a term; nobody reaches into it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Blocks:
    """Second derivatives as a batch of equally sized symmetric blocks.

    dofs (m, k): unknowns each block acts on (repeated unknowns are summed); values (m, k, k).
    """

    dofs: Index
    values: Array


@dataclass(frozen=True)
class Evaluation:
    """Energy [N mm], gradient (n,) [N or N mm per unit of the unknown] and tangent blocks of one term."""

    energy: float
    gradient: Array
    blocks: tuple[Blocks, ...] = ()


class FrictionMode(Enum):
    """How friction enters an evaluation."""

    HELD = auto()
    """By the normal forces held: a potential, its tangent symmetric."""
    FOLLOWING = auto()
    """By the normal forces at u: a balance of forces, its tangent not symmetric."""
    NONE = auto()
    """Not at all: normal contact alone."""


History = tuple[Array, ...]
"""What a term remembers of an accepted step, as plain arrays that only the term reads."""


class Term(Protocol):
    """One contribution to the potential."""

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Value at u (n,): order 0 energy only, 1 with gradient, 2 with tangent blocks too."""
        ...


@runtime_checkable
class Extrapolating(Term, Protocol):
    """A term whose stresses can be extrapolated in its tangent."""

    def evaluate_after(self, u: Array, last: Array) -> Evaluation:
        """Order 2 at u (n,), the geometric part of the tangent by the stresses that the move `last` (n,),
        which led to u, would have brought if strains grew in proportion.
        """
        ...


@runtime_checkable
class Stressed(Term, Protocol):
    """A term whose tangent can take its stresses from elsewhere."""

    def evaluate_stressed(self, u: Array, where: Array) -> Evaluation:
        """Order 2 at u (n,), the geometric part of the tangent by the stresses at `where` (n,)."""
        ...


@dataclass(frozen=True, eq=False)
class DeadLoad:
    """Forces (n,) on the unknowns that keep their direction, such as weight: energy -force . u, which counts
    from where all unknowns are zero.
    """

    force: Array

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002 - linear at any order
        """Energy [N mm] and gradient; there is no tangent."""
        return Evaluation(-float(self.force @ u), -self.force)

    def __add__(self, other: DeadLoad) -> DeadLoad:
        return DeadLoad(self.force + other.force)


class FrictionTerm(Protocol):
    """A contribution with friction and its history: contact with walls, contact of the strip with itself."""

    def start(self, u: Array) -> None:
        """Forget all friction: slip is counted from u (n,) on."""
        ...

    def hold(self, u: Array, fully: bool = False) -> float:
        """Renew at u what is held; `fully`: without the relaxation that minimisations need.

        Returns the relative change of the normal forces.
        """
        ...

    def evaluate(self, u: Array, order: int, friction: FrictionMode = FrictionMode.HELD) -> Evaluation:
        """Value at u, by what is held; orders as for `Term`."""
        ...

    def balance(self, u: Array, order: int) -> Evaluation:
        """Renew fully at u, then evaluate there with friction following: both in one go where that is
        cheaper.
        """
        ...

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move (n,) from u in which nothing passes through anything."""
        ...

    def accept(self, u: Array) -> float:
        """Take u as the end of a step: store slip, renew what is held. Returns friction's work [N mm]."""
        ...

    def save(self) -> History:
        """What the last accepted step left behind; `restore` goes on from it."""
        ...

    def restore(self, history: History, u: Array) -> None:
        """Go on from the accepted state u (n,) and what `save` gave there."""
        ...

    def gaps(self, u: Array) -> Array:
        """Gap [mm] at every contact point, points along the strip first; inf where a point has no partner or
        does not count. Where there are pairs, those held.
        """
        ...

    def forces(self, u: Array) -> Array:
        """Normal force [N] at every contact point, over the whole width; of the shape of `gaps`."""
        ...
