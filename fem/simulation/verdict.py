"""What a finished wind-in and push-out says: status, the numbers a designer asks for, one sentence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fem.case.definition import Case
from fem.design.loading import Retract
from fem.results.outcome import Status
from fem.results.result import BendPassage, Jam, Quantity
from fem.simulation.recorder import DEPLOY, RETRACT, Log, sense
from fem.simulation.retract_deploy import IDLE_TRAVEL
from fem.simulation.strain_by_phase import PhaseStrain, in_words, over_strained, strain_by_phase
from fem.simulation.winding_state import WindingOutcome

BEND_REACH = 2.0
FRAMES = 60
TURN_ROUND = 0.5
"""mm of travel while the axle rests from which it is told."""
SCATTER_TURN = 0.5
"""rad of axle turning on both sides of a peak over which its scatter is read."""


@dataclass(frozen=True)
class WindingRun:
    """The log of winding in and pushing out, and how it ended."""

    case: Case
    log: Log
    outcome: WindingOutcome

    def rows(self, phase: float) -> list[int]:
        """Row numbers of one phase."""
        return [i for i, row in enumerate(self.log.rows) if row["phase"] == phase]

    def peak(self, phase: float, name: str = "torque_Nmm") -> int | None:
        """Row of the largest value of a column in a phase."""
        rows = self.rows(phase)
        return max(rows, key=lambda i: self.log.rows[i][name]) if rows else None

    def overload(self, phase: float) -> int | None:
        """First row of a phase that asks for more torque than the motor has."""
        return next((i for i in self.rows(phase) if self.overloaded(i)), None)

    def jam_row(self) -> int | None:
        """Row at which pushing (or winding in) stopped being possible; None when it went through or was not
        computed.
        """
        over = self.overload(RETRACT)
        if over is not None:
            return over
        if not self.outcome.retracted:
            return self.hardest(RETRACT) if self.outcome.stopped else None
        over = self.overload(DEPLOY)
        if over is not None:
            return over
        return self.hardest(DEPLOY) if self.outcome.stopped else None

    def hardest(self, phase: float) -> int | None:
        """Stable row of the largest torque of a phase; of all its rows where none is stable."""
        rows = self.rows(phase)
        stable = [i for i in rows if self.log.rows[i]["stable"] >= 1.0] or rows
        return max(stable, key=lambda i: self.log.rows[i]["torque_Nmm"], default=None)

    def overloaded(self, at: int) -> bool:
        """Whether a row asks for more torque than the motor has."""
        motor = self.case.motor
        return motor is not None and motor.overloaded(self.log.rows[at]["torque_Nmm"])

    @property
    def strains(self) -> tuple[PhaseStrain, ...]:
        """The largest strain of each phase, and of what is forced on beyond a jam."""
        return strain_by_phase(self.log.rows, self.jam_row())

    @property
    def turn_round(self) -> float:
        """Travel [mm] that the strip made while the axle rested between in and out; nan: it did not rest."""
        rows = [self.log.rows[i] for i in self.rows(RETRACT)]
        resting = [row for row in rows if row["axle_angle_rad"] == rows[-1]["axle_angle_rad"]]
        return resting[-1]["travel_mm"] - resting[0]["travel_mm"] if len(resting) > 1 else math.nan

    def before_jam(self) -> list[dict[str, float]]:
        """Rows up to the jam: what the device goes through; what would come after is only computed."""
        at = self.jam_row()
        return self.log.rows if at is None else self.log.rows[: at + 1]

    def scatter(self, at: int) -> float:
        """Largest departure of the torque from its running mean around a row [N mm]: stick-slip and friction
        amplification.
        """
        phase = self.log.rows[at]["phase"]
        near = [
            i
            for i in self.rows(phase)
            if abs(self.log.rows[i]["axle_angle_rad"] - self.log.rows[at]["axle_angle_rad"]) < SCATTER_TURN
        ]
        torque = np.array([self.log.rows[i]["torque_Nmm"] for i in near])
        if len(torque) < 5:
            return 0.0
        smooth = np.array([torque[max(0, i - 2) : i + 3].mean() for i in range(len(torque))])
        return float(np.abs(torque - smooth).max())

    def pushing(self, jam: Jam) -> bool:
        """Whether a jam belongs to pushing out (winding in went through)."""
        return self.outcome.retracted and self.overload(RETRACT) is None and math.isfinite(jam.travel_mm)

    def moved_before(self, at: int) -> float:
        """Travel [mm] gained in the phase before a row, in its own direction."""
        row = self.log.rows[at]
        first = self.log.rows[self.rows(row["phase"])[0]]
        return sense(row["phase"]) * (row["travel_mm"] - first["travel_mm"])

    def idle_turn(self, at: int) -> float | None:
        """Turning [rad] up to a row during which the strip did not move at the slot; None below a tenth."""
        row = self.log.rows[at]
        turned = 0.0
        for i in range(at - 1, -1, -1):
            other = self.log.rows[i]
            if other["phase"] != row["phase"] or abs(other["travel_mm"] - row["travel_mm"]) > IDLE_TRAVEL:
                break
            turned = abs(other["axle_angle_rad"] - row["axle_angle_rad"])
        return turned if turned > 0.1 else None

    def snapshot_rows(self, jammed: bool, frames: int = FRAMES) -> list[tuple[str, int]]:
        """About `frames` rows in the order of the run, evenly spread over turning and travel, and all those
        of `named_rows`: these with their names (several on one row: joined by "; "), the others with "".
        """
        names: dict[int, list[str]] = {}
        for word, row in self.named_rows(jammed):
            names.setdefault(row, []).append(word)
        if self.log.rows:
            walked = np.zeros(len(self.log.rows))
            for column in ("axle_angle_rad", "travel_mm"):
                moved = np.abs(np.diff(self.log.column(column), prepend=self.log.rows[0][column]))
                walked += np.cumsum(moved) / max(float(moved.sum()), 1e-12)
            for place in np.linspace(0.0, walked[-1], frames):
                names.setdefault(int(np.argmin(np.abs(walked - place))), [])
        return [("; ".join(names[row]), row) for row in sorted(names)]

    def named_rows(self, jammed: bool) -> list[tuple[str, int]]:
        """Rows worth a picture, by name."""
        named: list[tuple[str, int]] = []
        retract, deploy = self.rows(RETRACT), self.rows(DEPLOY)
        if retract:
            named.append(("fully out", retract[0]))
            named.append(("hardest while winding in", self.peak(RETRACT) or retract[0]))
            named.append(("wound in", retract[-1]))
        if deploy:
            named.append(("hardest while pushing out", self.peak(DEPLOY) or deploy[0]))
            named.append(("end of pushing out", deploy[-1]))
        at = self.jam_row() if jammed else None
        if at is not None:
            named.append(("jam", at))
        return named


def status(run: WindingRun, jam: Jam | None) -> Status:
    """How the run ended."""
    out = run.outcome
    if (out.unfinished or out.trouble) and run.overload(RETRACT) is None and run.overload(DEPLOY) is None:
        return Status.OUT_OF_TIME if out.unfinished else Status.NOT_CONVERGED
    if run.overload(RETRACT) is not None or (not out.retracted and out.stopped):
        return Status.STALLED
    if out.swallowed and run.overload(DEPLOY) is None:
        return Status.SWALLOWED
    strained = over_strained(run.strains)
    if isinstance(run.case.push, Retract):
        return Status.RETRACTED_STRAINED if strained else Status.RETRACTED
    if jam is not None:
        return Status.JAMMED
    return Status.DEPLOYED_STRAINED if strained else Status.DEPLOYED


def quantities(run: WindingRun, jam: Jam | None) -> dict[str, Quantity]:
    """The numbers of a run."""
    case, log = run.case, run.log
    numbers: dict[str, Quantity] = {}
    motor = case.motor
    for word, phase in (("retract", RETRACT), ("deploy", DEPLOY)):
        rows = run.rows(phase)
        if not rows:
            continue
        at = run.peak(phase) or rows[0]
        peak = log.rows[at]
        note = f"at travel {peak['travel_mm']:.1f} mm, scatter {run.scatter(at):.1f} N mm"
        numbers[f"{word}_torque_peak_Nmm"] = Quantity(peak["torque_Nmm"], "N mm", note)
        push = log.rows[run.peak(phase, "push_N") or rows[0]]
        numbers[f"{word}_push_peak_N"] = Quantity(
            push["push_N"], "N", f"at travel {push['travel_mm']:.1f} mm"
        )
        if motor is not None:
            angle = np.array([log.rows[i]["axle_angle_rad"] for i in rows])
            torque = np.array([log.rows[i]["torque_Nmm"] for i in rows])
            numbers[f"{word}_time_s"] = Quantity(
                float(motor.time_along(angle, torque)[-1]), "s", "with the motor's own torque-speed line"
            )
            numbers[f"{word}_margin"] = _margin(run, word, float(torque.max()), jam)
    if motor is not None:
        numbers["motor_stall_torque_at_axle_Nmm"] = Quantity(motor.axle_stall_torque, "N mm")
    if log.rows:
        last, wound = log.rows[-1], [log.rows[i] for i in run.rows(RETRACT)]
        if wound:
            rested = math.isfinite(run.turn_round)
            note = "after the rest between in and out" if rested else "as far as it came"
            numbers["travel_wound_mm"] = Quantity(wound[-1]["travel_mm"], "mm", note)
        if math.isfinite(run.turn_round):
            note = "travel made while the axle rested between in and out"
            numbers["turn_round_travel_mm"] = Quantity(run.turn_round, "mm", note)
        numbers["travel_left_mm"] = Quantity(last["travel_mm"], "mm", "at the end")
        numbers["axle_turns"] = Quantity(max(row["axle_angle_rad"] for row in log.rows) / (2 * math.pi), "")
        worst = max(run.before_jam(), key=lambda row: row["strain_share"])
        numbers["strain_peak"] = Quantity(
            worst["strain_peak"], "", f"at {worst['strain_station_mm']:.1f} mm from the root"
        )
        numbers["strain_share_peak"] = Quantity(
            worst["strain_share"], "", "of the material's limit; what counts for the verdict"
        )
        numbers |= {f"{phase.name}_strain_share": phase.quantity for phase in run.strains}
        numbers["casing_contact_peak_rad"] = Quantity(
            max(row["casing_contact_rad"] for row in log.rows), "rad"
        )
        numbers["curvature_peak_per_mm"] = Quantity(
            max(row["curvature_peak_per_mm"] for row in log.rows), "1/mm"
        )
        numbers["unstable_states"] = Quantity(
            float(sum(row["stable"] < 1 for row in log.rows)),
            "",
            "accepted states on the move through a snap",
        )
    if jam is not None:
        numbers["jam_torque_Nmm"] = Quantity(jam.torque_Nmm, "N mm")
    return numbers | _motor_needed(run)


def _margin(run: WindingRun, word: str, torque: float, jam: Jam | None) -> Quantity:
    """What the motor has left of its stall torque in a phase; none where the strip jams whatever it has."""
    motor = run.case.motor
    assert motor is not None  # who asks has one
    left, pushing = float(motor.margin(torque)), jam is not None and run.pushing(jam)
    if jam is not None and run.outcome.stopped and (word == "deploy") == pushing and left > 0.0:
        return Quantity(0.0, "", "it jams whatever torque the motor has")
    return Quantity(left, "", "share of the stall torque left at the peak")


def _motor_needed(run: WindingRun) -> dict[str, Quantity]:
    """The torque that a motor must have at the axle where this one has too little, and the strip still went
    through; or how far it gets with the motor it has.
    """
    rows, name = run.log.rows, "motor_torque_needed_Nmm"
    over = run.overload(RETRACT)
    if over is not None:
        most = rows[run.peak(RETRACT) or over]
        known = f"at least, known up to travel {rows[run.rows(RETRACT)[-1]]['travel_mm']:.1f} mm"
        note = "at the axle, to wind in all the way" if run.outcome.retracted else known
        far = _round_down(min(row["travel_mm"] for row in rows[max(0, over - 1) : over + 1]))
        return {
            name: Quantity(most["torque_Nmm"], "N mm", note),
            "travel_to_choose_mm": Quantity(far, "mm", "largest that this motor winds in"),
        }
    if not run.outcome.retracted and run.outcome.stopped:
        far = _round_down(max(rows[i]["travel_mm"] for i in run.rows(RETRACT)))
        return {"travel_to_choose_mm": Quantity(far, "mm", "as far as it winds in")}
    most = rows[run.peak(DEPLOY) or -1] if run.rows(DEPLOY) else {}
    if run.overload(DEPLOY) is not None and run.outcome.deployed:
        return {name: Quantity(most["torque_Nmm"], "N mm", "at the axle, about, to force it out")}
    return {}


def _during(run: WindingRun) -> str:
    """What a run was at when its time ran out."""
    if not run.log.rows:
        return "while the strip was put in place"
    last = run.log.rows[-1]
    word = "pushing out" if last["phase"] == DEPLOY else "winding in"
    return f"while {word}, at {last['travel_mm']:.1f} mm of travel"


def so_far(numbers: Mapping[str, Quantity]) -> str:
    """The hardest torques that are known, in words to go on with."""
    names = (("winding in", "retract_torque_peak_Nmm"), ("pushing out", "deploy_torque_peak_Nmm"))
    known = [f"{word} at most {numbers[name].value:.1f} N mm" for word, name in names if name in numbers]
    return f"; so far {', '.join(known)}" if known else ""


def _round_down(travel: float) -> float:
    """Whole mm, never negative."""
    return float(max(0, math.floor(travel)))


def passages(run: WindingRun) -> tuple[BendPassage, ...]:
    """What each pre-formed bend cost while it passed the slot on the way out (on the way in if it never came
    out).
    """
    made = []
    for mark in run.case.strip.path.bends:
        for phase in (DEPLOY, RETRACT):
            rows = [
                run.log.rows[i] for i in run.rows(phase)
                if mark.start - BEND_REACH <= run.log.rows[i]["slot_station_mm"] <= mark.end + BEND_REACH
            ]  # fmt: skip
            if not rows:
                continue
            hardest = max(rows, key=lambda row: row["torque_Nmm"])
            push = max(row["push_N"] for row in rows)
            middle = 0.5 * (mark.start + mark.end)
            made.append(BendPassage(mark.index, middle, hardest["torque_Nmm"], push, hardest["travel_mm"]))
            break
    return tuple(made)


def sentence(word: Status, run: WindingRun, jam: Jam | None, numbers: dict[str, Quantity]) -> str:
    """The status as one sentence to act on: that of its entry, with the numbers of the run."""
    out = run.outcome
    has = numbers.get("motor_stall_torque_at_axle_Nmm")
    parts: dict[str, object] = {
        "at": f" at travel {run.log.rows[-1]['travel_mm']:.1f} mm" if run.log.rows else "",
        "trouble": out.trouble,
        "hint": "",  # what has been tried follows
        "during": _during(run),
        "so_far": so_far(numbers),
        "cure": _cure(word, run, numbers),
        "turned": _turned(run),
        "strain": _spaced(in_words(run.strains)),
        "motor": f"; the motor has {has.value:.1f} N mm" if has else "",
        "forced": "",
        "safe": "",
    }
    for place, name in (
        ("winding_in", "retract_torque_peak_Nmm"), ("pushing_out", "deploy_torque_peak_Nmm"),
    ):  # fmt: skip
        if name in numbers:
            parts[place] = numbers[name].value
    if jam is not None:
        parts |= {
            "mode": jam.mode, "place": jam.place, "travel": jam.travel_mm, "torque": jam.torque_Nmm,
            "remedy": jam.remedies[0],
        }  # fmt: skip
    if word == Status.JAMMED and out.deployed:
        parts["forced"] = f"; with about {parts['pushing_out']:.0f} N mm it might come out"
    safe = numbers.get("safe_travel_mm")
    if safe is not None:
        parts["safe"] = f"; from {_round_down(safe.value):.0f} mm of travel it still comes out"
    return word.entry.sentence.format_map(parts)


def _spaced(text: str) -> str:
    return f" {text}" if text else ""


def _turned(run: WindingRun) -> str:
    """What the strip did while the axle rested, if it is worth telling."""
    moved = run.turn_round
    if math.isnan(moved) or abs(moved) < TURN_ROUND:
        return ""
    wound, way = run.log.rows[run.rows(RETRACT)[-1]]["travel_mm"], "in" if moved > 0 else "out"
    return (
        f" While the axle rested before it turned back, the strip snapped {way} by {abs(moved):.1f} mm more: "
        f"{wound:.1f} mm are wound in, {run.case.travel:.1f} mm were asked for."
    )


def _cure(word: Status, run: WindingRun, numbers: dict[str, Quantity]) -> str:
    """The number that cures a stop of winding in, or a tip that slips inside."""
    torque, travel, left_out = (
        numbers.get(name)
        for name in ("motor_torque_needed_Nmm", "travel_to_choose_mm", "left_out_to_choose_mm")
    )
    if word == Status.STALLED:
        said = ""
        if torque is not None:
            known = "" if run.outcome.retracted else ", as far as it could be computed"
            said = f" To wind it in takes a motor with {torque.value:.1f} N mm at the axle{known}."
        if travel is not None and travel.value > 0.0:
            said += f" It does wind in as far as {travel.value:.0f} mm (push.travel)."
        return said
    if word == Status.SWALLOWED and travel is not None and left_out is not None:
        return (
            f" Wind in {travel.value:.0f} mm at most (push.travel), that is, leave {left_out.value:.1f} mm "
            "outside (push.left_out); or add a stop."
        )
    return " Leave more outside (push.left_out), or add a stop." if word == Status.SWALLOWED else ""
