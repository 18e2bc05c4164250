"""From a finished wind-in and push-out, of whichever model, to its result: jam, audit, warnings, snapshots.

A model hands over its log with two ways of looking at a logged row: the facts from which a jam is named, and
a picture.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import cast

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.design.loading import RetractDeploy
from fem.results.result import Jam, Quantity, Result
from fem.results.snapshot import Snapshot
from fem.simulation.deployed_shape import intended
from fem.simulation.failure import evidence
from fem.simulation.jam_modes import Facts, name_mode
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import Cycle, CycleOutcome, Search
from fem.simulation.stepper import SavedState
from fem.simulation.verdict import Course, passages, quantities, sentence, status

AUDIT_WARNING = 0.02
MOVED = 3.0
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Finished:
    """A cycle that has run: its model's name, how it ended, log, own warnings, ways to look at a row.

    seen(row): facts of a logged row; picture(row, label): snapshot of it; more: numbers that only this
    model has.
    """

    model: str
    case: Case
    outcome: CycleOutcome
    log: Log
    cycle: Cycle | None
    warnings: tuple[str, ...]
    seen: Callable[[int], Facts]
    picture: Callable[[int, str], Snapshot]
    more: Mapping[str, Quantity] = field(default_factory=dict)


IN_HAND = 0.05
"""Share of the motor's torque that a safe travel leaves: the hardest torque of a push scatters by as much
with steps and mesh, and a travel that just fits would be luck.
"""


def winding_result(done: Finished, tell: Progress, began: float, provenance: dict[str, object]) -> Result:
    """Judge a finished cycle."""
    case, log = done.case, done.log
    course = Course(case, log, done.outcome)
    searching = None if done.cycle is None else done.cycle.search
    jam = _jam(course, done.seen) if searching is None else cast("Jam", searching.jam)
    numbers = {**quantities(course, jam), **done.more}
    # the search pushes out again several times: seconds with the rod, many minutes with the shell
    wanted = isinstance(case.push, RetractDeploy) and case.push.safe_travel and done.model == "rod"
    if done.cycle is not None and jam is not None and wanted and course.pushing(jam):
        tell(0.0, "looking for the travel from which it still comes out")
        safe = safe_travel(case, done.cycle, done.outcome, jam)
        note = f"largest travel from which it still comes out with {IN_HAND:.0%} of the torque in hand"
        numbers["safe_travel_mm"] = Quantity(safe, "mm", note)
    audit = energy_audit(log)
    word = status(course, jam)
    pictures = tuple(done.picture(at, label) for label, at in course.film(jam is not None))
    return Result(
        case_name=case.name, title=case.title, model=done.model, status=word,
        sentence=sentence(word, course, jam, numbers), quantities=numbers, jam=jam, bends=passages(course),
        energy_audit=audit, seconds=time.perf_counter() - began,
        path={name: log.column(name) for name in log.rows[0]} if log.rows else {},
        snapshots=pictures, warnings=(*done.warnings, *_warnings(course, audit)),
        provenance=provenance, intended_path=intended_path(case),
    )  # fmt: skip


def intended_path(case: Case) -> Array:
    """Rest mid-line in place (k, 2) [mm]."""
    return intended(case, np.linspace(0.0, case.strip.length, 200))


def _jam(course: Course, seen: Callable[[int], Facts]) -> Jam | None:
    """The jam of a push that did not come out or asked for more than the motor has."""
    at = course.jam_row()
    if at is None:
        return None
    row = course.log.rows[at]
    over, moved, here = course.overloaded(at), course.moved_before(at) > MOVED, seen(at)
    mode, station = name_mode(here, moved, over), None
    if not course.outcome.deployed and not mode.entry.at_slot:
        # what the strip does when it is pushed on says how it jams
        after = seen(len(course.log.rows) - 1)
        later = name_mode(after, moved, over and moved)
        if later.entry.fold or not mode.entry.fold:
            mode, station = later, later.place(after)
    motor = course.case.motor
    stall = motor.axle_stall_torque if motor else None
    lines = evidence(here, row["torque_Nmm"], stall, course.idle_turn(at))
    place = mode.place(here) if station is None else station
    seen_and_so = (*lines, mode.entry.seen)
    return Jam(mode, place, row["travel_mm"], row["torque_Nmm"], seen_and_so, mode.remedies)


def safe_travel(case: Case, cycle: Cycle, outcome: CycleOutcome, jam: Jam | None = None) -> float:
    """Largest travel [mm] from which the strip still comes out with a little of the motor's torque in
    hand, by bisection of saved states; 0 when not even the shallowest saved one does.
    """
    push = case.push
    within = push.safe_travel_within if isinstance(push, RetractDeploy) else 2.0
    limit = (1.0 - IN_HAND) * case.motor.axle_stall_torque if case.motor else math.inf
    saved = outcome.wound
    search = cycle.search = cycle.search or Search(jam, cycle.observer.log, -1, len(saved))
    try:
        while search.high - search.low > 1:
            bounded = search.low >= 0 and search.high < len(saved)
            if bounded and saved[search.high][0] - saved[search.low][0] <= within:
                break
            fresh = search.trial is None
            middle = search.trial = (search.low + search.high) // 2
            if _comes_out(cycle, saved[middle][1] if fresh else None, search.log, limit):
                search.low = middle
            else:
                search.high = middle
            search.trial = None
    finally:
        cycle.observer.log = search.log
    return saved[search.low][0] if search.low >= 0 else 0.0


def _comes_out(cycle: Cycle, saved: SavedState | None, kept: Log, limit: float) -> bool:
    """Push out from a saved state; None: go on with the push that was interrupted."""
    if saved is not None:
        cycle.trip.restore(saved)
        cycle.observer.log = Log([dict(kept.rows[0])], [])
        cycle.observer.log.states.append(cycle.trip.u)
    return cycle.deploy(limit) == ""


def energy_audit(log: Log) -> dict[str, object]:
    """Entries of the energy balance at the end of each phase, and what did not close in it.

    The error is the largest departure of the balance within the phase over the larger of the work done in it
    and the energy stored.
    """
    audit: dict[str, object] = {}
    worst = 0.0
    for name, phase in (("retract", RETRACT), ("deploy", DEPLOY)):
        rows = [row for row in log.rows if row["phase"] == phase]
        if not rows:
            continue
        first, last = rows[0], rows[-1]
        work = max(abs(row["work_in_Nmm"] - first["work_in_Nmm"]) for row in rows)
        scale = max(work, *(row["energy_strain_Nmm"] for row in rows), 1e-12)
        closure = "audit_closure_Nmm"
        error = max(abs(row[closure] - first[closure]) for row in rows) / scale
        worst = max(worst, error)
        audit[name] = {
            "work_in_Nmm": last["work_in_Nmm"],
            "stored_Nmm": last["energy_strain_Nmm"] + last["energy_contact_Nmm"],
            "kinetic_Nmm": last["energy_kinetic_Nmm"], "friction_Nmm": last["loss_friction_Nmm"],
            "damping_Nmm": last["loss_damping_Nmm"], "numerical_Nmm": last["loss_numerical_Nmm"],
            "largest_error": error,
        }  # fmt: skip
    audit["closure_error"] = worst
    return audit


def _warnings(course: Course, audit: dict[str, object]) -> list[str]:
    lines = []
    error = float(audit.get("closure_error", 0.0))  # type: ignore[arg-type]
    if error > AUDIT_WARNING:
        lines.append(
            f"the energy balance closes to {100 * error:.1f} % only (2 % expected): halve solver.turn"
        )
    share = max((row["strain_share"] for row in course.before_jam()), default=0.0)
    if share > 1.0:
        lines.append(
            f"strain reaches {share:.1f} times a material's limit: the linear law is out of its range there"
        )
    gaps = (min(row["smallest_gap_mm"], row["smallest_wrap_gap_mm"]) for row in course.log.rows)
    deepest = -min(gaps, default=0.0)
    if deepest > 0.2 * course.case.strip.thickness:
        lines.append(f"faces sink {deepest:.2f} mm into each other: raise solver.contact_stiffness")
    return lines
