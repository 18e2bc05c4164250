"""From winding in and pushing out to a result: jam, audit, warnings, snapshots."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.design.loading import RetractDeploy
from fem.results.result import Jam, Quantity, Result
from fem.simulation.deployed_shape import intended
from fem.simulation.failure import evidence, facts
from fem.simulation.jam_modes import Facts, name_mode
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import TravelSearch, WindingOutcome, WindingProgram
from fem.simulation.run_context import RunContext
from fem.simulation.snapshots import snapshot
from fem.simulation.stepper import SavedState
from fem.simulation.strip_model import StripModel
from fem.simulation.verdict import WindingRun, passages, quantities, sentence, status

AUDIT_WARNING = 0.02
SUNK = 0.05
"""Depth of a face below a surface, over the thickness, beyond which a result says so."""
MOVED = 3.0
IN_HAND = 0.05
"""Share of the motor's torque that a safe travel leaves: the hardest torque of a push scatters by as much
with steps and mesh, and a travel that just fits would be luck.
"""


@dataclass(frozen=True)
class Finished:
    """Winding in and pushing out, run to the end: case, model, how it ended, its log, and the program if it
    could be started.
    """

    case: Case
    model: StripModel
    outcome: WindingOutcome
    log: Log
    program: WindingProgram | None

    def facts(self, at: int) -> Facts:
        """Facts of a logged row."""
        u, walls = self.log.states[at], self.model.walls
        assert walls is not None  # a strip that is wound has an axle
        self.model.renew_contact(u)
        slot = self.log.rows[at]["slot_station_mm"]
        return facts(self.case, self.model.state(u), walls, self.model.wraps, u, slot)


def winding_result(done: Finished, context: RunContext) -> Result:
    """Judge a finished run."""
    case, log, program, model = done.case, done.log, done.program, done.model
    run = WindingRun(case, log, done.outcome)
    own = model.quantities(log.rows, log.states)
    searching = None if program is None else program.search
    jam = _jam(run, done) if searching is None else searching.jam
    numbers = {**quantities(run, jam), **own}
    # the search pushes out again several times: seconds with the rod, many minutes with the shell
    wanted = isinstance(case.push, RetractDeploy) and case.push.safe_travel and model.kind == "rod"
    if program is not None and jam is not None and wanted and run.pushing(jam):
        context.progress(0.0, "looking for the travel from which it still comes out")
        safe = safe_travel(case, program, done.outcome, jam)
        note = f"largest travel from which it still comes out with {IN_HAND:.0%} of the torque in hand"
        numbers["safe_travel_mm"] = Quantity(safe, "mm", note)
    audit = energy_audit(log)
    word = status(run, jam)
    pictures = (
        snapshot(model, log.rows[i], log.states[i], label) for label, i in run.snapshot_rows(jam is not None)
    )
    return Result(
        case_name=case.name, title=case.title, model=model.kind, status=word,
        sentence=sentence(word, run, jam, numbers), quantities=numbers, jam=jam, bends=passages(run),
        energy_audit=audit, seconds=context.seconds,
        path={name: log.column(name) for name in log.rows[0]} if log.rows else {},
        snapshots=tuple(pictures), warnings=(*model.warnings, *_warnings(run, audit)),
        provenance={**context.provenance, **model.provenance}, intended_path=intended_path(case),
    )  # fmt: skip


def intended_path(case: Case) -> Array:
    """Rest mid-line in place (k, 2) [mm]."""
    return intended(case, np.linspace(0.0, case.strip.length, 200))


def _jam(run: WindingRun, done: Finished) -> Jam | None:
    """The jam of a push that did not come out or asked for more than the motor has."""
    at = run.jam_row()
    if at is None:
        return None
    row = run.log.rows[at]
    over, moved, here = run.overloaded(at), run.moved_before(at) > MOVED, done.facts(at)
    mode, station = name_mode(here, moved, over), None
    if not run.outcome.deployed and not mode.entry.at_slot:
        # what the strip does when it is pushed on says how it jams
        after = done.facts(len(run.log.rows) - 1)
        later = name_mode(after, moved, over and moved)
        if later.entry.fold or not mode.entry.fold:
            mode, station = later, later.place(after)
    motor = run.case.motor
    stall = motor.axle_stall_torque if motor else None
    lines = evidence(here, row["torque_Nmm"], stall, run.idle_turn(at))
    place = mode.place(here) if station is None else station
    seen = (*lines, mode.entry.seen)
    return Jam(mode, place, row["travel_mm"], row["torque_Nmm"], seen, mode.remedies)


def safe_travel(
    case: Case, program: WindingProgram, outcome: WindingOutcome, jam: Jam | None = None
) -> float:
    """Largest travel [mm] from which the strip still comes out with a little of the motor's torque in
    hand, by bisection of saved states; 0 when not even the shallowest saved one does.
    """
    push = case.push
    within = push.safe_travel_within if isinstance(push, RetractDeploy) else 2.0
    limit = (1.0 - IN_HAND) * case.motor.axle_stall_torque if case.motor else math.inf
    saved = outcome.wound
    search = program.search = program.search or TravelSearch(jam, program.recorder.log, -1, len(saved))
    try:
        while search.high - search.low > 1:
            bounded = search.low >= 0 and search.high < len(saved)
            if bounded and saved[search.high][0] - saved[search.low][0] <= within:
                break
            fresh = search.trial is None
            middle = search.trial = (search.low + search.high) // 2
            if _comes_out(program, saved[middle][1] if fresh else None, search.log, limit):
                search.low = middle
            else:
                search.high = middle
            search.trial = None
    finally:
        program.recorder.log = search.log
    return saved[search.low][0] if search.low >= 0 else 0.0


def _comes_out(program: WindingProgram, saved: SavedState | None, kept: Log, limit: float) -> bool:
    """Push out from a saved state; None: go on with the push that was interrupted."""
    if saved is not None:
        program.stepper.restore(saved)
        program.recorder.log = Log([dict(kept.rows[0])], [])
        program.recorder.log.states.append(program.stepper.u)
    return program.deploy(limit) == ""


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


def _warnings(run: WindingRun, audit: dict[str, object]) -> list[str]:
    lines = []
    error = float(audit.get("closure_error", 0.0))  # type: ignore[arg-type]
    if error > AUDIT_WARNING:
        lines.append(
            f"the energy balance closes to {100 * error:.1f} % only (2 % expected): halve solver.turn"
        )
    share = max((row["strain_share"] for row in run.before_jam()), default=0.0)
    if share > 1.0:
        lines.append(
            f"strain reaches {share:.1f} times a material's limit: the linear law is out of its range there"
        )
    gaps = (min(row["smallest_gap_mm"], row["smallest_wrap_gap_mm"]) for row in run.log.rows)
    deepest = -min(gaps, default=0.0)
    share = deepest / run.case.strip.thickness
    if share > SUNK:
        lines.append(
            f"faces sink {deepest:.2g} mm into each other, {share:.2f} of the thickness: raise "
            "solver.contact_stiffness"
        )
    return lines
