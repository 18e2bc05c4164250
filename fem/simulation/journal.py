"""The way of a strip into place, step by step, kept so that an interrupted run need not go it again."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from fem.contact.state import like
from fem.core.checkpoint import NOWHERE, Keeper
from fem.core.term import Array
from fem.simulation.kept_run import PlacedStep, PlacingState, RunState, check_unknowns
from fem.solvers.implicit_dynamics import Motion


@dataclass
class Journal:
    """Steps of putting a strip in place, kept as they are made: those that are found are not made again, and
    what comes after them is the same to the last digit.

    made: all steps so far; found: what there is to go through again before any is made, at: how far that is.
    """

    keeper: Keeper = NOWHERE
    found: PlacingState | None = None
    made: list[PlacedStep] = field(default_factory=list)
    at: int = 0

    def step(self, motion: Motion, u: Array, time: float, start: Array) -> PlacedStep:
        """A step from rest at u."""
        if self.found is not None and self.at < len(self.found.steps):
            step = self.found.steps[self.at]
            self.at += 1
            if step.u is not None:
                check_unknowns(step.u)
                step = replace(step, u=like(step.u, u))
        else:
            outcome = motion.step(u, np.zeros_like(u), time, start)
            step = PlacedStep(outcome.u if outcome.accepted else None, outcome.reason)
        self.made.append(step)
        return step

    def taken(self, motion: Motion, u: Array) -> None:
        """A step has been taken and friction forgotten."""
        if self.found is None:
            self.keeper.offer(lambda: RunState(self._state(motion)))
        elif self.at == len(self.found.steps):
            motion.backoff = self.found.backoff
            for term, history in zip(motion.friction, self.found.histories, strict=True):
                term.restore(history, u)
            self.found = None

    def _state(self, motion: Motion) -> PlacingState:
        histories = tuple(term.save() for term in motion.friction)
        return PlacingState(tuple(self.made), histories, motion.backoff)
