"""What the two iterations of a time step ask of the system they move: see `fem.solvers.implicit_dynamics`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array, Blocks, Evaluation
from fem.linalg.banded import Matrix


@dataclass(frozen=True)
class Frame:
    """A step in time: unknowns and velocities (n,) at its start, its length dt [s], the share of the mass
    that acts in it, and the guess (n,) of its end from which iterations start.
    """

    u: Array
    v: Array
    dt: float
    share: float = 1.0
    guess: Array | None = None

    def stiffness(self, damping: float) -> float:
        """What a mass of one adds to the tangent, by inertia and damping [1/s] (backward Euler)."""
        return self.share * (1 / self.dt**2 + damping / self.dt)

    def force(self, u: Array, damping: float) -> Array:
        """Force (n,) of inertia and damping at u, per mass."""
        return self.stiffness(damping) * (u - self.u) - self.share * self.v / self.dt


@dataclass(frozen=True)
class MotionSettings:
    """Numbers that steer a time step.

    damping [1/s]; energy [N mm]: the scale against which the Newton decrement is judged; decrement and
    early_decrement: shares of it at which a minimisation ends, in full and cut short; minimisation, descent,
    balance: most iterations of a minimisation in full, of one cut short, of the balance; outer: rounds of the
    latter two; wait: most steps in a row that start with minimisations without the balance being tried at
    once; patience, patience_at_once: iterations of the balance without halving its move, after a
    minimisation and before any; settled [mm]: move at which it ends;
    move [mm]: largest change of a place per iteration; small_move [mm]: moves below are not asked whether
    they jump through anything.
    """

    damping: float = 5.0
    energy: float = 1.0
    decrement: float = 1e-8
    early_decrement: float = 1e-4
    minimisation: int = 40
    descent: int = 24
    balance: int = 20
    outer: int = 4
    wait: int = 4
    patience: int = 5
    patience_at_once: int = 3
    settled: float = 1e-5
    move: float = 6.0
    small_move: float = 0.02


class MovingSystem(Protocol):
    """A system within one time step. Lengths of moves are those of the unknowns that are places."""

    settings: MotionSettings
    fixed: NDArray[np.bool_]
    places: NDArray[np.bool_]
    matrix: Matrix
    mass_diagonal: Array

    def potential(self, u: Array, order: int, frame: Frame, last: Array | None = None) -> Evaluation:
        """Incremental potential at u with friction held; energy and gradient with inertia and damping; `last`
        as for `balance`.
        """
        ...

    def balance(self, u: Array, order: int, frame: Frame, last: Array | None = None) -> Evaluation:
        """Balance of forces at u with everything held renewed there, inertia and damping included in the
        gradient.

        `last`: the move that led to u, for tangents that make use of it; None: the true tangent.
        """
        ...

    def inertia_blocks(self, frame: Frame) -> Blocks:
        """Second derivatives of inertia and damping in a step of dt [s]."""
        ...

    def hold_fully(self, u: Array) -> None:
        """Renew at u all that is held."""
        ...

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that no contact objects to."""
        ...


def size_of_move(system: MovingSystem, move: Array) -> float:
    """Largest change of a place."""
    return float(np.abs(move[system.places]).max())


def length_of_move(system: MovingSystem, move: Array) -> float:
    """Root of the sum of squares of all changes of places."""
    return float(np.linalg.norm(move[system.places]))
