"""From winding in and pushing out to a result: jam, audit, warnings, snapshots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from fem.case.definition import Case
from fem.core.checkpoint import OutOfTime
from fem.core.term import Array
from fem.design.loading import RetractDeploy
from fem.design.settings import Settings
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED
from fem.results.readings import per_cent
from fem.results.result import Attempt, Jam, Quantity, Result
from fem.simulation.deployed_shape import intended
from fem.simulation.energy_audit import audit_warnings, drag_shares, energy_audit
from fem.simulation.failure import evidence, facts
from fem.simulation.jam_modes import Facts, name_mode
from fem.simulation.kept_contact import kept_contact, recorded
from fem.simulation.recorder import Log
from fem.simulation.retract_deploy import REST_TIME, WindingProgram, resting
from fem.simulation.run_context import RunContext
from fem.simulation.snapshots import snapshot
from fem.simulation.stepper import SavedState
from fem.simulation.strip_model import StripModel
from fem.simulation.verdict import TURN_ROUND, WindingRun, passages, quantities, sentence, status
from fem.simulation.winding_state import TravelSearch, WindingOutcome

SUNK = 0.05
"""Depth of a face below a surface, over the thickness, beyond which a result says so."""
MOVED = 3.0
LATE = "the time ran out after the verdict: run it again, and what is still to be found is found"
IN_HAND = 0.05
"""Share of the motor's torque that a safe travel leaves: the hardest torque of a push scatters by as much
with steps and mesh, and a travel that just fits would be luck.
"""


@dataclass(frozen=True)
class Finished:
    """Winding in and pushing out, run to the end: case, model, how it ended, its log, and the program if it
    could be started; attempts: how it was computed where once was not enough, and the settings of what is
    told (None: those of the case).
    """

    case: Case
    model: StripModel
    outcome: WindingOutcome
    log: Log
    program: WindingProgram | None
    attempts: tuple[Attempt, ...] = ()
    settings: Settings | None = None

    def facts(self, at: int) -> Facts:
        """Facts of a logged row."""
        u, slot = self.log.states[at], self.log.rows[at]["slot_station_mm"]
        contact = kept_contact(self.model, u, self.log.contacts[at])
        return facts(self.case, self.model.state(u), contact, slot)


def winding_result(done: Finished, context: RunContext) -> Result:
    """Judge a finished run."""
    case, log, program, model = done.case, done.log, done.program, done.model
    run = WindingRun(case, log, done.outcome)
    own = model.quantities(log.rows, log.states, log.contacts)
    searching = None if program is None else program.search
    jam = _jam(run, done) if searching is None else searching.jam
    numbers = {**quantities(run, jam), **drag_shares(run.before_jam()), **own}
    # the search pushes out again several times: seconds with the rod, many minutes with the shell
    wanted = isinstance(case.push, RetractDeploy) and case.push.safe_travel and model.kind == "rod"
    wanted = wanted and context.extent.safe_travel
    late = done.outcome.unfinished
    if program is not None and jam is not None and wanted and run.pushing(jam) and not late:
        context.progress(0.0, "looking for the travel from which it still comes out")
        safe, late = safe_travel(case, program, done.outcome, jam)
        note = f"largest travel from which it still comes out with {IN_HAND:.0%} of the torque in hand"
        note += "; at least, the time ran out" if late else ""
        numbers["safe_travel_mm"] = Quantity(math.floor(10.0 * safe) / 10.0, "mm", note)
    if done.outcome.swallowed and program is not None:
        numbers |= to_choose(case, deepest_at_rest(program, done.outcome))
    audit = energy_audit(log)
    told = (*model.warnings, *audit_warnings(audit, numbers), *_warnings(run))
    word = status(run, jam)
    used: dict[str, object] = {"solver": asdict(done.settings or case.settings)}
    if late:
        used[UNFINISHED] = True
        told = (*told, *([] if word == Status.OUT_OF_TIME else [LATE]))
    pictures = (
        snapshot(model, log.rows[i], log.states[i], log.contacts[i], label)
        for label, i in (run.snapshot_rows(jam is not None) if context.extent.states else ())
    )
    return Result(
        case_name=case.name, title=case.title, model=model.kind, status=word,
        sentence=sentence(word, run, jam, numbers) + how_computed(done.attempts), quantities=numbers,
        jam=jam, bends=passages(run), energy_audit=audit, seconds=context.seconds,
        path={name: log.column(name) for name in log.rows[0]} if log.rows else {},
        snapshots=tuple(pictures), warnings=told,
        provenance={**context.provenance, **model.provenance, **used},
        intended_path=intended_path(case), attempts=done.attempts,
    )  # fmt: skip


def how_computed(attempts: Sequence[Attempt]) -> str:
    """What was tried after the computation had stopped, and what helped; "" where once was enough."""
    if len(attempts) < 2:
        return ""
    first, told = attempts[0], []
    for one in attempts[1:]:
        start = f" from {one.from_travel_mm:.1f} mm of travel ({one.from_phase}) on" if one.from_phase else ""
        why = " as well" if one.trouble == first.trouble else f": {one.trouble}"
        told.append((f"{one.settings}{start}", f" (stopped at {one.travel_mm:.1f} mm{why})"))
    last, _ = told[-1]
    if attempts[-1].trouble:
        return f" Tried besides: {'; '.join(what + why for what, why in told)}. None went through."
    also = f", and so it did with {'; '.join(what + why for what, why in told[:-1])}" if told[:-1] else ""
    return (
        f" Computed with {last}: with the settings of the case the computation stopped at "
        f"{first.travel_mm:.1f} mm ({first.trouble}){also}."
    )


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
        if not mode.entry.fold:
            mode, station = later, later.place(after)
    motor = run.case.motor
    stall = motor.axle_stall_torque if motor else None
    lines = evidence(here, row["torque_Nmm"], stall, run.idle_turn(at))
    place = mode.place(here) if station is None else station
    seen = (*lines, *_why_it_ended(run, done), mode.entry.seen)
    return Jam(mode, place, row["travel_mm"], row["torque_Nmm"], seen, mode.remedies)


def _why_it_ended(run: WindingRun, done: Finished) -> list[str]:
    """What ended a push that no motor's torque ended, in a sentence."""
    last = run.log.rows[-1]
    if run.outcome.folded:
        radius, station = 1.0 / last["curvature_peak_per_mm"], last["curvature_peak_station_mm"]
        return [
            f"in the end it folds up: bent about {radius:.2f} mm at {station:.1f} mm from the root, less "
            f"than half its thickness of {run.case.strip.thickness:g} mm: its inner face has no length left"
        ]
    if run.outcome.beyond and done.program is not None:
        times = last["torque_Nmm"] / done.program.hardest_in
        return [f"pushing out takes {times:.0f} times the hardest torque of winding in, and still grows"]
    return []


def safe_travel(
    case: Case, program: WindingProgram, outcome: WindingOutcome, jam: Jam | None = None
) -> tuple[float, bool]:
    """Largest travel [mm] from which the strip still comes out with a little of the motor's torque in
    hand, by bisection of saved states, 0 when not even the shallowest saved one does; and whether time ran
    out before more was known.
    """
    push, late = case.push, False
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
    except OutOfTime:
        late = True
    finally:
        program.recorder.log = search.log
    return saved[search.low][0] if search.low >= 0 else 0.0, late


def deepest_at_rest(program: WindingProgram, outcome: WindingOutcome) -> float:
    """Largest travel [mm] of a saved state from which the tip stays outside the slot's mouth when the axle
    stands and the strip comes to rest; nan where there is none.
    """
    for travel, saved in reversed(outcome.wound):
        program.stepper.restore(saved)
        # on the way through a snap the next run may come to rest elsewhere
        if not program.stepper.snapping and _rests_outside(program):
            return travel
    return math.nan


def _rests_outside(program: WindingProgram) -> bool:
    """Whether the strip comes to rest from where the program stands, with its tip outside the slot's mouth
    all the while. A strip that makes no step of its rest is on its way somewhere, not at rest where it is.
    """
    model, stepper, rested = program.model, program.stepper, 0.0
    for time in resting(stepper):
        if program.recorder.slot_station(stepper.u) + model.case.slot.length >= model.length:
            return False
        rested += time
    return rested > REST_TIME - 1e-6


def to_choose(case: Case, travel: float) -> dict[str, Quantity]:
    """What to ask for so that the tip stays outside; nothing where no travel is known."""
    whole = math.floor(travel) if math.isfinite(travel) else 0
    if whole <= 0:
        return {}
    left_out = math.ceil(10.0 * (case.free_length - whole)) / 10.0
    return {
        "travel_to_choose_mm": Quantity(float(whole), "mm", "largest tried at which the tip stays outside"),
        "left_out_to_choose_mm": Quantity(left_out, "mm", "the same, as the length left outside"),
    }


def _comes_out(program: WindingProgram, saved: SavedState | None, kept: Log, limit: float) -> bool:
    """Push out from a saved state; None: go on with the push that was interrupted."""
    if saved is not None:
        program.stepper.restore(saved)
        program.recorder.log = Log()
        program.recorder.log.keep(dict(kept.rows[0]), program.stepper.u, recorded(program.model))
    return program.deploy(limit) == ""


def _warnings(run: WindingRun) -> list[str]:
    lines = []
    for strain in run.strains:
        if strain.over and strain.counts:
            lines.append(
                f"{strain.words} strains it to {per_cent(strain.share)} of a material's limit, "
                f"{strain.place}: the linear law is out of its range there"
            )
    if abs(run.turn_round) >= TURN_ROUND:
        lines.append(
            f"the strip moved by {run.turn_round:.1f} mm while the axle rested between in and out: travel is "
            "what it was after that"
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
