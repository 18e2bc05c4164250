"""Parts of Newton's method that go down an energy: a shift where the tangent is indefinite, a line search.

On the way through a fold the tangent is often indefinite, and the norm of the residual has local minima
there. A shift along the mass makes it positive definite, and the energy tells how far to go; a line search on
the residual would stall.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array, Evaluation
from fem.linalg.banded import Solver
from fem.solvers.moving_system import Frame, MovingSystem
from fem.solvers.newton_loop import Reached

ARMIJO = 1e-4
"""Share of the fall that the slope promises which a step must bring (Armijo 1966, Pacific J. Math. 16:1)."""
LARGEST_SHIFT = 1e18
HALVINGS = 25
LOWEST, FOUND = "lowest", "lowest to rounding"
"""How a descent ends well: by its decrement, or where nothing lower is found within rounding."""


@dataclass(frozen=True)
class Downhill:
    """A direction of descent (n,), the slope of the energy along it, whether the tangent needed no shift."""

    move: Array
    slope: float
    definite: bool


@dataclass
class Descent:
    """Newton's method on the potential of a time step; enough: decrement [N mm] at which it ends."""

    system: MovingSystem
    frame: Frame
    enough: float
    shift: float = 0.0
    here: Evaluation | None = field(default=None)

    def direction(self, u: Array, count: int) -> Downhill | Reached[Array]:  # noqa: ARG002 - all iterations alike
        """Newton's direction, the tangent shifted along the mass until it is positive definite."""
        system, here = self.system, self._evaluated(u)
        if not np.isfinite(here.energy):
            return Reached(u, "the energy is not finite")
        inertia = self.frame.stiffness(system.settings.damping)
        system.matrix.assemble([*here.blocks, system.inertia_blocks(self.frame)])
        factor = system.matrix.factor()
        definite = factor is not None
        if factor is None:
            factor = self._shifted(max(self.shift / 16, inertia / 4), LARGEST_SHIFT * inertia)
        if factor is None:
            return Reached(u, "no positive definite shift found")
        if definite:
            self.shift = 0.0
        move = factor.solve(-here.gradient)
        free = ~system.fixed
        slope = float(here.gradient[free] @ move[free])
        if definite and -slope < self.enough:
            return Reached(u + move, LOWEST)
        return Downhill(move, slope, definite)

    def _shifted(self, least: float, largest: float) -> Solver | None:
        """Factor with a shift that is at most four times what it takes, or four times the least; none below
        the largest: None. A start deep in a lip takes 4^12 times the least, so the shift grows faster and
        faster, and is then bisected.
        """
        matrix, mass = self.system.matrix, self.system.mass_diagonal
        low, growth, found = least, 1.0, None
        while found is None:
            growth *= 4.0
            self.shift = growth * low
            if self.shift > largest:
                return None
            found = matrix.factor(self.shift * mass)
            low = self.shift if found is None else low
        while self.shift > 4.0 * low:
            middle = (low * self.shift) ** 0.5
            tried = matrix.factor(middle * mass)
            if tried is None:
                low = middle
            else:
                found, self.shift = tried, middle
        return found

    def accept(self, u: Array, direction: Downhill) -> Reached[Array]:
        """The first part of the move whose energy falls enough; the whole of it is nearly always taken, and
        is therefore evaluated with its tangent at once.
        """
        st, here = self.system.settings, self._evaluated(u)
        part = self._room(u, direction.move)
        noise = 1e-12 * max(abs(here.energy), st.energy)
        for attempt in range(HALVINGS):
            last = part * direction.move
            trial = u + last
            found = self.system.potential(trial, 2 if attempt == 0 else 0, self.frame, last)
            bound = here.energy + ARMIJO * part * direction.slope + noise
            if np.isfinite(found.energy) and found.energy <= bound:
                self.here = found if attempt == 0 else self.system.potential(trial, 2, self.frame, last)
                return Reached(trial)
            part *= 0.5
        if direction.definite and -direction.slope < 1e-3 * st.energy * st.decrement**0.5:
            return Reached(u, FOUND)
        return Reached(u, "the line search found no lower energy")

    def _evaluated(self, u: Array) -> Evaluation:
        if self.here is None:
            self.here = self.system.potential(u, 2, self.frame)
        return self.here

    def _room(self, u: Array, move: Array) -> float:
        """Part of a move that is not too long and passes through nothing."""
        st = self.system.settings
        largest = float(np.abs(move[self.system.places]).max())
        part = min(1.0, st.move / largest) if largest > 0 else 1.0
        return min(part, self.system.safe_fraction(u, move)) if largest > st.small_move else part
