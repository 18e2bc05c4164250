"""Damped motion of the rod: Newton's method on the balance of forces with as few tangents as it can do with.

A tangent of the rod and its factors cost several times what the forces alone do. Corrections by the factors
of the iteration before are therefore taken as long as each is a good deal shorter than the one before.
"""

from __future__ import annotations

from dataclasses import dataclass

from fem.core.term import Array, Evaluation
from fem.rod.wall_contact import WallContact
from fem.solvers.broyden import learned
from fem.solvers.implicit_dynamics import Frame, Motion, Shrinking, summed

CHORD = 0.6
"""A correction by old factors is followed by another as long as it is shorter than this share of the move
before.
"""


@dataclass
class RodMotion(Motion):
    """Motion of a rod; `Motion` with corrections by old factors."""

    def _newton(self, u: Array, frame: Frame) -> tuple[Array, int, bool]:
        """Iterations of the balance, a move halved where its correction shows it too long (see `Motion`)."""
        st = self.settings
        inertia, moves = self._inertia_blocks(frame[2]), Shrinking()
        iteration = 0
        while iteration < st.polish:
            iteration += 1
            ev = self._renewed(u, frame)
            factor, move, part = self._next_move(u, ev, inertia, moves)
            if factor is None:
                return u, iteration, False
            if self._size(move) < st.settled:
                return self._hold(u + move), iteration, True
            trial = u + part * move
            rest = factor.solve(-self._renewed(trial, frame, 1).gradient)
            if self._length(rest) > self._length(move):
                u = u + 0.5 * part * move
                iteration += 1
                continue
            taken = [move]
            while part == 1.0 and self._length(rest) < CHORD * self._length(taken[-1]):
                taken.append(self._secant(taken, rest))
                trial = trial + taken[-1]
                if self._size(taken[-1]) < 0.25 * st.settled:
                    return self._hold(trial), iteration + 1, True
                rest = factor.solve(-self._renewed(trial, frame, 1).gradient)
            u = trial
        return u, iteration, False

    def _secant(self, taken: list[Array], rest: Array) -> Array:
        """The next correction from the one that the old factors ask for (see `learned`)."""
        rest, along = learned(taken, rest, self.places)
        return rest / (1.0 - along)

    def _renewed(self, u: Array, frame: Frame, order: int = 2) -> Evaluation:
        """Balance of forces at u with everything held renewed there; the energy is that without inertia."""
        u_old, v_old, dt = frame
        parts = [term.evaluate(u, order) for term in self.plain]
        for term in self.heldterms:
            if isinstance(term, WallContact):
                parts.append(term.renewed(u, order))
                continue
            term.hold(u)
            parts.append(term.evaluate(u, order))
        ev = summed(parts, self.size)
        rate = (1 / dt**2 + self.settings.damping / dt) * (u - u_old) - v_old / dt
        return Evaluation(ev.energy, ev.gradient + self.mass_matrix @ rate, ev.blocks)
