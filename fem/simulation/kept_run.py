"""A run under way as plain data, and its parts put back where everything else is made anew from the case.

`fem.core.checkpoint` keeps these records. They hold numbers and words only: the strip, its mesh, its contact
and its surroundings come from the case each time. What is put back must fit them (sizes, numbers of points
and elements, names of columns), or ValueError is raised: compiled loops do not look where an index points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fem.contact.settings import Penalised
from fem.core.term import Array, History
from fem.design.settings import Settings
from fem.results.result import Attempt, Jam
from fem.shell.model import ShellModel
from fem.shell.symmetry import Guard
from fem.simulation.kept_contact import StateRecord
from fem.simulation.recorder import Log
from fem.simulation.stepper import SavedState, Stepper
from fem.simulation.steps import StepSize
from fem.simulation.strip_model import StripModel, contacts
from fem.simulation.winding_state import Patience, PhaseUnderWay, Restart, WindingOutcome
from fem.solvers.implicit_dynamics import Backoff

FARTHEST = 1e6
"""mm, and slopes and openings: no state of a strip has larger unknowns."""


@dataclass(frozen=True)
class LogState:
    """A log of r rows: names of its columns (c), values (r, c), states (size,), records of contact. States
    and records are those of the log itself: what stays is written once.
    """

    names: tuple[str, ...]
    values: Array
    states: tuple[Array, ...]
    contacts: tuple[StateRecord, ...]


@dataclass(frozen=True)
class StepperState:
    """Where a stepper stands, and what it has counted."""

    saved: SavedState
    accepted: int
    rejected: int
    iterations: int
    trouble: str
    next_step: float
    began: float


@dataclass(frozen=True)
class ModelState:
    """Which model of a case it is, beside its kind: numerical settings; penalty [N/mm^3] of each term with
    contact; of a shell whether it has the whole width because half of it would not do, and why, and what
    watches half of it.
    """

    settings: Settings
    stiffness: tuple[float, ...]
    whole: bool = False
    lost: str = ""
    guard: Guard | None = None


@dataclass(frozen=True)
class SearchState:
    """A search for the safe travel, as `winding_state.TravelSearch`."""

    jam: Jam | None
    log: LogState
    low: int
    high: int
    trial: int | None


@dataclass(frozen=True)
class EarlierState:
    """What the attempts before the one under way left, as `attempts.Earlier`: the first of them, where it
    could begin; its model, log and how it ended, its saved states left out; attempts and start.
    """

    program: ProgramState | None
    model: ModelState
    log: LogState
    outcome: WindingOutcome
    attempts: tuple[Attempt, ...]
    start: tuple[float, str]


@dataclass(frozen=True)
class ProgramState:
    """Winding in and pushing out, as `retract_deploy.WindingProgram`. stepper: None where it is that of the
    program under way, and so is the model; phase, time [s] and zero [mm] of the recorder.
    """

    model: ModelState
    stepper: StepperState | None
    log: LogState
    phase: float
    time: float
    zero: float
    steps: StepSize
    wound: tuple[tuple[float, SavedState], ...]
    limit: float
    under_way: PhaseUnderWay | None
    ended: dict[float, str]
    search: SearchState | None
    hardest_in: float
    rested: int
    restarts: tuple[Restart, ...]
    patience: Patience | None
    earlier: EarlierState | None


class Rows(Protocol):
    """Rows and states of all accepted steps, each with the record of its contact."""

    rows: list[dict[str, float]]
    states: list[Array]
    contacts: list[StateRecord]


@dataclass(frozen=True)
class PlacedStep:
    """A step on the way into place: the unknowns at its end, None where it was not accepted, and why not."""

    u: Array | None
    reason: str


@dataclass(frozen=True)
class PlacingState:
    """A strip on its way into place: all steps so far, and what the last left behind."""

    steps: tuple[PlacedStep, ...]
    histories: tuple[History, ...]
    backoff: Backoff


@dataclass(frozen=True)
class RunState:
    """A run by the axle: on its way into place, or winding and pushing."""

    placing: PlacingState | None = None
    program: ProgramState | None = None


def log_state(log: Rows) -> LogState:
    """A log as plain data."""
    names = tuple(log.rows[0]) if log.rows else ()
    values = np.array([[float(row[name]) for name in names] for row in log.rows])
    return LogState(names, values.reshape(len(log.rows), len(names)), tuple(log.states), tuple(log.contacts))


def fill_log(log: Rows, state: LogState, model: StripModel, names: Sequence[str]) -> None:
    """Have an empty log hold what was kept of one of a model; names: of the columns it must have."""
    count = len(state.contacts)
    fits = state.values.shape == (count, len(state.names)) and len(state.states) == count
    fits = fits and all(u.shape == model.start.shape for u in state.states)
    if not fits or (count and tuple(names) != state.names):
        raise ValueError("a log of another run")
    for u in state.states:
        check_unknowns(u)
    for record in state.contacts:
        check_record(model, record)
    log.rows = [dict(zip(state.names, row.tolist(), strict=True)) for row in state.values]
    log.states, log.contacts = list(state.states), list(state.contacts)


def check_record(model: StripModel, record: StateRecord) -> None:
    """Raise ValueError for a record of contact that no state of a model leaves."""
    for term, kept in ((model.walls, record.walls), (model.wraps, record.wraps)):
        if not (term.fits(kept) if term is not None else kept == ()):
            raise ValueError("a record of another strip's contact")


def check_unknowns(u: Array) -> None:
    """Raise ValueError for unknowns that are none of a strip."""
    if not np.all(np.abs(u) < FARTHEST):  # what is not a number is not below it either
        raise ValueError("a state of no strip")


def stepper_state(stepper: Stepper) -> StepperState:
    """A stepper as plain data."""
    return StepperState(
        stepper.save(), stepper.accepted, stepper.rejected, stepper.iterations, stepper.trouble,
        stepper.next_step, stepper.began,
    )  # fmt: skip


def put_back(stepper: Stepper, state: StepperState) -> None:
    """Have a stepper stand where another one of the same push stood."""
    check_saved(stepper, state.saved)
    stepper.restore(state.saved)
    stepper.accepted, stepper.rejected, stepper.iterations = state.accepted, state.rejected, state.iterations
    stepper.trouble, stepper.next_step, stepper.began = state.trouble, state.next_step, state.began


def check_saved(stepper: Stepper, saved: SavedState) -> None:
    """Raise ValueError for a saved state that a stepper cannot go back to. The terms with friction look at
    their own histories when they are given them.
    """
    arrays = (saved.u, saved.v, saved.inertia, saved.before, saved.stored.force)
    fits = all(each.shape == stepper.u.shape and np.all(np.isfinite(each)) for each in arrays)
    if not fits or len(saved.histories) != len(stepper.motion.friction):
        raise ValueError("a state of another strip")
    check_unknowns(saved.u)
    check_unknowns(saved.before)


def model_state(model: StripModel) -> ModelState:
    """Which model it is, as plain data."""
    stiffness = tuple(term.settings.stiffness for term in contacts(model))
    if not isinstance(model, ShellModel):
        return ModelState(model.case.settings, stiffness)
    guard = None if model.guard is None else replace(model.guard)
    whole = bool(model.lost) and not model.body.half
    return ModelState(model.case.settings, stiffness, whole, model.lost, guard)


def harden_as(model: StripModel, state: ModelState) -> None:
    """Have the contact of a model made anew press as it did."""
    terms = contacts(model)
    if len(terms) != len(state.stiffness) or not all(0.0 < each < np.inf for each in state.stiffness):
        raise ValueError("contact of another strip")
    for term, stiffness in zip(terms, state.stiffness, strict=True):
        assert isinstance(term, Penalised)  # all terms with contact are
        term.settings = replace(term.settings, stiffness=stiffness)


def log_from(state: LogState, model: StripModel, names: Sequence[str]) -> Log:
    """The log of a run by the axle."""
    log = Log()
    fill_log(log, state, model, names)
    return log
