"""One push, step by step: a control moves, the strip follows, every accepted step is weighed.

A `Grip` says which unknowns the push prescribes and how they follow its control (an axle angle, a shift, a
turn). A step that is not accepted is tried again at half the length; lengths grow again when steps are easy.
Each accepted step is weighed in a ledger of energies (`fem.simulation.ledger`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from fem.core.term import Array, Evaluation, FrictionMode, History, Term
from fem.simulation.ledger import Entry, Ledger, Stored
from fem.simulation.steps import Grip, StepEnd, StepSize
from fem.solvers.implicit_dynamics import FULL, Backoff, MassShares, Motion, StepOutcome, summed

GROW, EASE, SHRINK = 1.3, 0.6, 0.5
EASY_ITERATIONS, HARD_ITERATIONS = 8, 16
HARD_SHARE = 0.1
"""Steps aim at a handful of iterations: longer ones cost more than they save, and follow friction less
closely.
"""
SNAP_SHARE, SNAP_SHRINK = 1 / 512, 0.125
"""Steps shorter than this share of the longest are taken whatever the strip does within them."""


MADE = 0.05
"""Share of all work by which the strain energy may grow in a step beyond what was put in: the work's mean of
two forces is not exact. A step in which more is made has found another equilibrium, far off.
"""
SNAP_SPEED, MEMORY = 4.0, 0.1
"""A snap begins where some place moves this many times as far per step of the control as it usually does, or
where a state has no static stability; the usual is a running mean that takes in this share of each step.
"""
KINETIC = 0.01
"""Share of all work so far that the kinetic energy may have when more of the mass comes to act. A stubby
strip, whose mass is made for a swing over a radian, would else hold more of it than all it took to bend it.
"""
HURRY = 0.005
"""Share of a step's work that inertia and damping may take: where they take more, and where the strip snaps,
the control waits until the strip stays where it is. Torques would else be those of a strip on its way.
"""
UNKNOWN = 0.002
"""Share of all work that a step of such a wait may leave unaccounted for."""
CALM_TIME, MOST_CALMING = 5.0, 12
"""Time [s] of a step within which a strip that stays moves by less than `MotionSettings.small_move`, and how
many steps, each longer than the last, the control waits for that.
"""
LEAST_SHARE = 0.01  # of the energy that `Motion` judges its decrement by: all work counts as this at least


@dataclass(frozen=True)
class SavedState:
    """A state that a stepper can go back to; histories: of each term with friction; shares, acting: of the
    mass that may act from there on, and that might in the last step. What a stepper counts (steps accepted,
    rejected, iterations) is what it has done and does not go back.
    """

    u: Array
    v: Array
    control: float
    force: float
    histories: tuple[History, ...]
    ledger: Ledger
    stored: Stored
    inertia: Array
    before: Array
    last: float
    backoff: Backoff
    lightly: Backoff
    usual: float
    share: float
    snapping: bool
    shares: MassShares
    acting: MassShares
    stable: bool


@dataclass
class Stepper:
    """A push under way. drives: springs that belong to the grip, whose energy is not the strip's; snapped:
    whether the strip does too much on the way from one state to another to be one step (it is then tried in
    shorter ones); astray: what a state does that no strip can, such as lie across a wall, "" if nothing (a
    step that ends in one does not count); shares: of the mass that act; acting: in the last step, where a
    strip in motion lets less of it act; before, last: the state before the present one and the time between
    them (0 at rest); usual: how far some place usually moves [mm] per step of the control; share: of the mass
    that acted last; snapping: whether the strip snaps.
    """

    motion: Motion
    grip: Grip
    u: Array
    control: float
    drives: tuple[Term, ...] = ()
    snapped: Callable[[Array, Array], bool] | None = None
    astray: Callable[[Array], str] | None = None
    shares: MassShares = FULL
    acting: MassShares = FULL
    v: Array = field(init=False)
    force: float = 0.0
    reached: float = 0.0
    ledger: Ledger = field(default_factory=Ledger)
    stored: Stored = field(init=False)
    inertia: Array = field(init=False)
    before: Array = field(init=False)
    last: float = 0.0
    accepted: int = 0
    rejected: int = 0
    iterations: int = 0
    trouble: str = ""
    stable: bool = True
    next_step: float = 0.0
    began: float = 0.0
    usual: float = 0.0
    share: float = 1.0
    snapping: bool = False

    def __post_init__(self) -> None:
        self.v = np.zeros_like(self.u)
        self.inertia = np.zeros_like(self.u)
        self.start()

    def start(self) -> None:
        """Begin the ledger and the memory of friction here, at rest."""
        self.v[:] = 0.0
        self.inertia[:] = 0.0
        self.before, self.last = self.u.copy(), 0.0
        for term in self.motion.friction:
            term.start(self.u)
        self.reached = self.grip.reach(self.u, self.control)
        self.count_from_here()

    def count_from_here(self) -> None:
        """Begin the ledger anew; friction keeps its memory."""
        self.stored = self._stored(self.u, self.v)
        self.ledger = Ledger(first_stored=self.stored.total, scale=max(1e-12, self.stored.total))

    def save(self) -> SavedState:
        """Everything needed to go on from here."""
        return SavedState(
            self.u.copy(), self.v.copy(), self.control, self.force,
            tuple(term.save() for term in self.motion.friction), replace(self.ledger), self.stored,
            self.inertia.copy(), self.before.copy(), self.last, self.motion.backoff, self.motion.lightly,
            self.usual, self.share, self.snapping, self.shares, self.acting, bool(self.stable),
        )  # fmt: skip

    def restore(self, saved: SavedState) -> None:
        """Go back to a saved state."""
        self.u, self.v, self.control, self.force = saved.u.copy(), saved.v.copy(), saved.control, saved.force
        self.before, self.last = saved.before.copy(), saved.last
        self.motion.backoff, self.motion.lightly = saved.backoff, saved.lightly
        self.reached = self.grip.reach(self.u, self.control)
        self.ledger, self.stored = replace(saved.ledger), saved.stored
        self.inertia, self.usual = saved.inertia.copy(), saved.usual
        self.share, self.snapping = saved.share, saved.snapping
        self.shares, self.acting, self.stable = saved.shares, saved.acting, saved.stable
        self.grip.prepare(self.control, self.control)
        for term, history in zip(self.motion.friction, saved.histories, strict=True):
            term.restore(history, self.u)

    def advance(
        self,
        target: float,
        size: StepSize,
        watch: Callable[[Stepper], bool],
        resumed: bool = False,
        cut: Callable[[float, float], float] | None = None,
    ) -> bool:
        """Move the control to `target`; `watch` sees every accepted step and says whether to stop. `resumed`:
        go on with the step length there was when it was interrupted in `watch`. `cut`: from the force on the
        control at both ends of a step, the share of it to take, where something begins within it whose place
        matters.

        Returns False when a step cannot be made even at the smallest length; `trouble` then says why.
        """
        step = self.next_step if resumed else size.first
        if not resumed:
            self.began = self.control
        while abs(target - self.control) > 1e-12 * max(1.0, abs(target)):
            left = target - self.control
            this = np.copysign(min(step, abs(left)), left)
            gone = abs(self.control - self.began)
            time = size.seconds(gone, gone + abs(this))
            outcome = self._attempt(self.control + this, time)
            self.iterations += outcome.iterations
            end = self._end(outcome, self.control + this, time) if outcome.accepted else None
            share = SHRINK if end is None else self._share(end, abs(this) > SNAP_SHARE * size.largest, cut)
            if end is None or share < 1.0:
                self.rejected += 1
                step = share * abs(this)
                if step < size.smallest:
                    self.trouble = outcome.reason
                    self.grip.prepare(self.control, self.control)
                    return False
                continue
            hurried = self._hurries(end)
            self._take(end)
            if hurried or (self.snapping and self.shares.rough != self.shares.smooth):
                self._wait(time)
            if outcome.iterations <= EASY_ITERATIONS:
                step = min(size.largest, max(step, abs(this)) * GROW)
            elif outcome.iterations > HARD_ITERATIONS:
                step = max(HARD_SHARE * size.largest, EASE * abs(this))
            self.next_step = step
            if watch(self):
                return True
        return True

    def settle(self, time: float, from_rest: bool = False) -> None:
        """Let the strip come to rest for some time [s] while the control stands; no harm if it cannot.
        from_rest: a strip without speed may still have to move until friction holds it.
        """
        if from_rest or np.any(self.v):
            outcome = self._attempt(self.control, time)
            end = self._end(outcome, self.control, time) if outcome.accepted else None
            if end is not None and not self._makes_energy(end):
                self._take(end, resting=True)

    def _hurries(self, end: StepEnd) -> bool:
        """Whether inertia and damping take much of the work of a step that ends there."""
        if not self._is_rough(end):
            return False
        taken = abs(float((end.drag + end.inertia) @ (end.outcome.u - self.u)))
        return taken > HURRY * abs(self._given(end))

    def _wait(self, time: float) -> None:
        """Let the strip go on to where it stays while the control stands, in steps that grow from `time` [s];
        as far as it gets in those that go well.
        """
        way, last, snapping = self.u - self.before, self.last, self.snapping
        for _ in range(MOST_CALMING):
            saved, accepted = self.save(), self.accepted
            off = self.ledger.error(self.stored.total)
            outcome = self._attempt(self.control, time)
            self.iterations += outcome.iterations
            end = self._end(outcome, self.control, time) if outcome.accepted else None
            if end is None or self._share(end, True, None) < 1.0:
                self.restore(saved)
                break
            moved = float(np.abs(outcome.u - self.u)[self.motion.places].max())
            self._take(end)
            if abs(self.ledger.error(self.stored.total) - off) > UNKNOWN * self.scale:
                self.restore(saved)  # it went too far for a mean of two friction forces to tell its work
                self.accepted = accepted
                break
            if time >= CALM_TIME and moved < self.motion.settings.small_move:
                snapping = not self.stable
                break
            time = min(CALM_TIME, 4.0 * time)
        if not self.snapping:
            return  # nothing went well
        # a strip that only hurried goes on as it went
        self.before, self.last = (self.u, 0.0) if snapping else (self.u - way, last)
        self.snapping = snapping

    @property
    def scale(self) -> float:
        """What energies of this push are judged by [N mm]: all work so far."""
        return max(self.ledger.scale, LEAST_SHARE * self.motion.settings.energy)

    def _makes_energy(self, end: StepEnd) -> bool:
        """Whether the strip ends a step with more strain energy than it had in all and was given."""
        strain = 0.0
        for term, part in zip(self.motion.terms, end.outcome.parts, strict=False):  # then those with friction
            if not any(term is drive for drive in self.drives):
                strain += part.energy
        return strain - self.stored.total - self._given(end) > MADE * self.scale

    def _given(self, end: StepEnd) -> float:
        """Work [N mm] at the grip in a step, by the mean of the forces at its ends."""
        return 0.5 * (self.force + end.force) * (end.reach - self.reached)

    def _is_rough(self, end: StepEnd) -> bool:
        """Whether more of the mass acted in a step than where all goes smoothly."""
        return end.outcome.share == self.acting.rough != self.acting.smooth

    def _share(self, end: StepEnd, divisible: bool, cut: Callable[[float, float], float] | None) -> float:
        """Share of a step that can be taken at once: less than 1 where the strip does too much on its way."""
        if not divisible:
            return 1.0
        if self._makes_energy(end):
            return SHRINK
        if self.snapped is not None and self.snapped(self.u, end.outcome.u):
            return SNAP_SHRINK
        return cut(self.force, end.force) if cut is not None else 1.0

    def _attempt(self, control: float, dt: float) -> StepOutcome:
        self.grip.prepare(self.control, control)
        ahead = np.zeros_like(self.u)
        # a control that stands still carries nothing on: a rest, a hundred times as long as the step before,
        # would else start from a place far off
        if self.last > 0.0 and control != self.control:
            ahead = self.motion.predictor(self.u, self.before, dt / self.last) - self.u
        start = self.grip.place(self.u + self.motion.safe_fraction(self.u, ahead) * ahead, control)
        self.acting = self._sensible_shares()
        outcome = self.motion.step(self.u, self.v, dt, start, self.acting)
        wrong = self.astray(outcome.u) if outcome.accepted and self.astray is not None else ""
        return replace(outcome, accepted=False, reason=wrong) if wrong else outcome

    def _sensible_shares(self) -> MassShares:
        """Shares of the mass for the next step: less than usual where the strip, at its present speed, would
        hold too much kinetic energy; as in the step before while it snaps.
        """
        if self.snapping:
            return self.acting
        if self.shares.smooth == self.shares.rough:
            return self.shares
        kinetic = 0.5 * self.shares.rough * float(self.v @ (self.motion.mass_matrix @ self.v))
        part = float(KINETIC * self.scale / max(kinetic, KINETIC * self.scale))
        return MassShares(part * self.shares.smooth, part * self.shares.rough)

    def _end(self, outcome: StepOutcome, control: float, dt: float) -> StepEnd:
        """Where a step that can be accepted leads, before it is taken."""
        motion, u = self.motion, outcome.u
        v = (u - self.u) / dt
        mass_v = outcome.share * (motion.mass_matrix @ v)
        inertia = outcome.share * (motion.mass_matrix @ (v - self.v)) / dt
        drag = motion.settings.damping * mass_v
        gradient = summed(list(outcome.parts), len(u)).gradient + inertia + drag
        force, reach = self.grip.force(u, gradient, control), self.grip.reach(u, control)
        return StepEnd(outcome, control, dt, v, drag, inertia, force, reach)

    def _take(self, end: StepEnd, resting: bool = False) -> None:
        """Weigh a step and go on from its end; resting: it is one of a rest, in which the strip keeps its
        speed.
        """
        u, v, inertia, control, force = end.outcome.u, end.v, end.inertia, end.control, end.force
        moved = u - self.u
        friction = sum(term.accept(u) for term in self.motion.friction)
        self.grip.prepare(control, control)
        stored = self._stored(u, v, end.outcome.share, end.outcome.parts)
        elastic = 0.5 * float((self.stored.force + stored.force) @ moved)
        elastic -= stored.strain + stored.contact - self.stored.strain - self.stored.contact
        ratio = end.outcome.share / self.share
        inertial = 0.5 * float((ratio * self.inertia + inertia) @ moved)
        inertial -= stored.kinetic - ratio * self.stored.kinetic
        switched = 0.5 * (1.0 - ratio) * float(self.inertia @ moved)  # the force at the start is without it
        self.snapping = self._snaps(end)
        if self.snapping and end.outcome.share < self.acting.rough and not resting:
            v = np.zeros_like(v)  # found at once: more of the mass must not come to act at such a speed
        self.ledger.add(
            Entry(
                work=self._given(end),
                friction=friction,
                damping=float(end.drag @ moved),
                elastic=elastic,
                inertial=inertial,
                gone=(1.0 - ratio) * self.stored.kinetic + switched,
            ),
            self.snapping,
            stored.total,
        )
        self.before, self.last = self.u, end.dt
        self.u, self.v, self.control, self.force, self.reached = u, v, control, force, end.reach
        self.stored, self.inertia, self.share = stored, inertia, end.outcome.share
        self.accepted += 1
        self.stable = end.outcome.stable

    def _snaps(self, end: StepEnd) -> bool:
        """Whether the strip snaps in a step, or comes to rest while the control stands. A snap lasts as long
        as the mass acts with which it began.
        """
        way = abs(end.control - self.control)
        if way == 0.0 or not end.outcome.stable:
            return True
        pace = float(np.abs((end.outcome.u - self.u)[self.motion.places]).max()) / way
        if (self.snapping and self._is_rough(end)) or (self.usual > 0.0 and pace > SNAP_SPEED * self.usual):
            return True
        self.usual += (MEMORY if self.usual > 0.0 else 1.0) * (pace - self.usual)
        return False

    def _stored(self, u: Array, v: Array, share: float = 1.0, parts: tuple[Evaluation, ...] = ()) -> Stored:
        """Energies of a state; share: of the mass; parts: what its terms are already known to be."""
        strain = contact = 0.0
        force = np.zeros_like(u)
        for i, term in enumerate(self.motion.terms):
            if any(term is drive for drive in self.drives):
                continue
            ev = parts[i] if parts else term.evaluate(u, 1)
            strain += ev.energy
            force += ev.gradient
        for touching in self.motion.friction:
            ev = touching.evaluate(u, 1, FrictionMode.NONE)
            contact += ev.energy
            force += ev.gradient
        kinetic = 0.5 * share * float(v @ (self.motion.mass_matrix @ v))
        return Stored(strain, contact, kinetic, force)
