"""From the load curve of a push on the bench to its result: one set of rules, whichever model was pushed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.mesh.clamp_layer import clear_of
from fem.results.columns import unit_of
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED
from fem.results.result import Quantity, Result
from fem.simulation.deployed_shape import DeployedShape, intended
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.recorder import peak_columns, tip_columns
from fem.simulation.run_context import RunContext
from fem.simulation.snapshots import picture

PUSH_PHASE = 3
PATH_POINTS = 200
CLOSURE = 0.02
IN_THE_AIR = "axle, casing, slot and obstacles are left out: on the bench the grips alone hold the strip"
WRAPS_CROSS = "more than one turn without contact: the wraps lie in one another"


@dataclass(frozen=True)
class BenchRun:
    """A push on the bench, run to its end: case, name of the model, rules, load curve.

    in_the_air: nothing but grips touched the strip; obstacles: what did, as a snapshot tells it; deployed:
    the strip as it was before it was pushed, where it was put in place.
    """

    case: Case
    kind: str
    rules: BenchRules
    curve: LoadCurve
    in_the_air: bool = True
    obstacles: tuple[dict[str, object], ...] = ()
    deployed: DeployedShape | None = None


def bench_result(done: BenchRun, context: RunContext) -> Result:
    """Judge a push on the bench."""
    case, curve, rules = done.case, done.curve, done.rules
    word, late = status(rules, curve), curve.unfinished
    numbers = {**quantities(rules, curve), **strains(done), **rules.numbers}
    text = sentence(word, numbers, rules, curve)
    if done.deployed is not None:
        numbers |= done.deployed.quantities()
        text += " " + done.deployed.sentence()
    if rules.buckles and curve.load.size:
        numbers["critical_force_N"] = critical_force(word, curve)
    audit = {} if math.isnan(curve.lost) else {"lost_in_snaps_Nmm": curve.lost}
    audit["closure_error"] = float(np.abs(curve.columns["audit_error"]).max(initial=0.0))
    path = np.empty((0, 2))
    if done.deployed is not None:
        path = intended(case, np.linspace(0.0, case.strip.length, PATH_POINTS))
    return Result(
        case_name=case.name, title=case.title, model=done.kind, status=word, sentence=text,
        quantities=numbers, jam=None, bends=(), energy_audit=audit, seconds=context.seconds,
        path=path_columns(rules, curve), snapshots=tuple(
            picture(curve.states[i], label, i, PUSH_PHASE, obstacles=done.obstacles, **curve.fields(i))
            for label, i in named_rows(curve)
        ),
        warnings=warnings(done), provenance={**context.provenance, **({UNFINISHED: True} if late else {})},
        intended_path=path,
    )  # fmt: skip


def status(rules: BenchRules, curve: LoadCurve) -> Status:
    """How the push ended."""
    if curve.unfinished:
        return Status.OUT_OF_TIME
    if curve.trouble:
        return Status.NOT_CONVERGED
    gives_way = curve.first_peak() is not None
    if math.isfinite(rules.wanted) and not gives_way and not curve.reaches(rules):
        return Status.TOO_SOFT
    if rules.buckles:
        return Status.BUCKLED if gives_way or curve.softened() else Status.HELD
    return Status.SNAPPED if gives_way else Status.HELD


def quantities(rules: BenchRules, curve: LoadCurve) -> dict[str, Quantity]:
    """The numbers of a curve; none of fewer than two states."""
    if curve.load.size < 2:
        return {}
    unit, way = unit_of(rules.load), unit_of(rules.control)
    stem, ending = rules.load.rsplit("_", 1)

    def load(row: int) -> Quantity:
        jumps = "; there it jumps on, for the load itself was driven" if row in curve.jumps else ""
        return Quantity(float(curve.load[row]), unit, f"at {curve.control[row]:.3g} {way}{jumps}")

    energy = float(curve.columns["energy_strain_Nmm"][-1])
    numbers = {
        f"{stem}_end_{ending}": load(-1),
        "energy_end_Nmm": Quantity(energy, "N mm", "stored in the strip"),
        "stiffness_start": Quantity(curve.stiffness(), f"{unit}/{way}"),
    }
    peak = curve.first_peak()
    if peak is not None:
        numbers[f"{stem}_peak_{ending}"] = load(peak)
    return {rules.names.get(name, name): number for name, number in numbers.items()}


def strains(done: BenchRun) -> dict[str, Quantity]:
    """Largest strain of all states, as a share of a material's elastic limit: the strip's, and that of the
    rigid clamps, within a thickness of them; none of fewer than two states.
    """
    if done.curve.load.size < 2:
        return {}
    numbers = {"strain_share_peak": Quantity(strain_share(done), "", "of the material's limit")}
    if done.rules.clamps:
        note = "of the material's limit, within one thickness of a clamp that does not give: not sure"
        share = max(float(np.nanmax(state.strain_share)) for state in done.curve.states)
        numbers["strain_share_clamp"] = Quantity(share, "", note)
    return numbers


def strain_share(done: BenchRun) -> float:
    """Largest strain of the strip itself in all states, as a share of a material's elastic limit."""
    clamps, thickness = done.rules.clamps, done.case.strip.thickness
    states = done.curve.states
    clear = [state.strain_share[clear_of(state.station, clamps, thickness)] for state in states]
    return max((float(share.max(initial=0.0)) for share in clear), default=0.0)


def critical_force(word: Status, curve: LoadCurve) -> Quantity:
    """What a column carries before it buckles; word: how the push ended."""
    peak = curve.first_peak()
    if word == Status.BUCKLED and curve.against.max() <= 0.0:
        return Quantity(float(curve.against.max()), "N", "its own weight is more than it carries")
    if word != Status.BUCKLED:
        held = word == Status.HELD
        return Quantity(math.nan, "N", "did not buckle as far as it was pushed" if held else word)
    if peak is None:
        return Quantity(float(curve.against.max()), "N", "largest push: it gives way smoothly")
    return Quantity(float(curve.against[peak]), "N", "push at which it gives way")


def sentence(word: Status, numbers: Mapping[str, Quantity], rules: BenchRules, curve: LoadCurve) -> str:
    """The status as one sentence."""
    if word == Status.NOT_CONVERGED:
        return word.entry.sentence.format(at="", trouble=curve.trouble, hint="")
    if word == Status.OUT_OF_TIME:
        return _out_of_time(rules, curve)
    stem, ending = rules.load.rsplit("_", 1)
    names = (f"{stem}_{which}_{ending}" for which in ("peak", "end"))
    peak, end = (numbers.get(rules.names.get(name, name)) for name in names)
    if peak is not None:
        return Status.SNAPPED.entry.sentence.format(peak=f"{peak.value:.3g} {peak.unit}, {peak.note}")
    if end is None:
        return "Nothing was recorded."
    return word.entry.sentence.format(end=f"{end.value:.3g} {end.unit} {end.note}")


def _out_of_time(rules: BenchRules, curve: LoadCurve) -> str:
    """What is known of a push whose time ran out."""
    during, most = "before the push began", ""
    if curve.load.size:
        during = f"at {curve.control[-1]:.3g} {unit_of(rules.control)}"
        most = f"; so far at most {curve.load[np.argmax(np.abs(curve.load))]:.3g} {unit_of(rules.load)}"
    return Status.OUT_OF_TIME.entry.sentence.format(during=during, so_far=most, strain="")


def warnings(done: BenchRun) -> tuple[str, ...]:
    """What a reader of the result must know."""
    curve, lines = done.curve, [IN_THE_AIR] if done.in_the_air else []
    lines += [*done.rules.told, *curve.cautions]
    turned = unit_of(done.rules.control) == "rad" and np.abs(curve.control).max(initial=0.0) > 2.0 * math.pi
    if turned and done.in_the_air:
        lines.append(WRAPS_CROSS)
    share, closure = strain_share(done), float(np.abs(curve.columns["audit_error"]).max(initial=0.0))
    if share > 1.0:
        lines.append(
            f"strain reaches {share:.2f} times a material's limit: the linear law is out of its range there"
        )
    if closure > CLOSURE:
        lines.append(f"the energy balance closes to {100 * closure:.1f} % only (2 % expected)")
    return tuple(lines)


def path_columns(rules: BenchRules, curve: LoadCurve) -> dict[str, Array]:
    """Columns (n,) of the path; {} without a state."""
    if not curve.states:
        return {}
    rows = [tip_columns(state) | peak_columns(state) for state in curve.states]
    count = len(rows)
    return {
        "step": np.arange(count, dtype=float), "phase": np.full(count, float(PUSH_PHASE)),
        rules.control: curve.control, rules.load: curve.load,
        **{name: np.array([row[name] for row in rows]) for name in rows[0]}, **curve.columns,
    }  # fmt: skip


def named_rows(curve: LoadCurve) -> list[tuple[str, int]]:
    """Rows worth a picture, by name."""
    if not curve.states:
        return []
    peak = curve.first_peak()
    named = [("start", 0), ("end", len(curve.states) - 1)]
    return named + ([("peak load", peak)] if peak is not None else [])
