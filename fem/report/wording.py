"""A result in words and rows, for whoever writes a page: margins, strains by layer, quality, provenance.

Nothing is computed that the run has not computed; numbers are put beside their limits and said plainly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fem.case.definition import Case
from fem.design.loading import Winding
from fem.results.columns import words_of
from fem.results.outcome import Outcome, Status
from fem.results.readings import headline, number, per_cent, state_words
from fem.results.result import Quantity, Result
from fem.simulation.failure_guide import explanations

CAUTIONS: tuple[str, ...] = (
    "A wound strip stores energy. Let go, it whips: keep eyes, face and hands out of its way and wear eye "
    "protection.",
    "Steel strip and broken fibre composite have sharp edges: wear gloves, break the edges before use.",
    "Slot, coil and axle are pinch points, and a small gearmotor is strong enough to hurt a finger. Cut the "
    "power before reaching in; limit current or torque.",
    "Worn on the body, near face, eyes or ears: a strip that snaps or jams must not be able to strike or "
    "trap. Round the tip, limit the force, and provide a release.",
    "Printed parts come hot from the machine, motors get hot, jammed motors most of all. Let them cool, and "
    "fuse the supply.",
    "Numbers from a simulation are no proof of safety. Local codes, standards and licensed practice come "
    "first.",
)
ENOUGH = 0.25
"""Share of the motor's torque, or of a strain limit, that is called a margin (common practice, no source)."""
AUDIT_LIMIT = 0.02
"""Error of the energy balance above which a run is not to be trusted."""


@dataclass(frozen=True)
class Margin:
    """One number beside its limit. left: share of the limit not used (nan: no limit known); jams: here the
    strip jams, so that nothing is left, whatever the limit; counts: for the verdict.
    """

    name: str
    value: str
    limit: str
    left: float
    note: str = ""
    jams: bool = False
    counts: bool = True

    @property
    def word(self) -> str:
        """The margin in a word."""
        if self.jams:
            return "jams"
        if not self.counts:
            return "does not count"
        if math.isnan(self.left):
            return "no limit given"
        if self.left < 0.0:
            return "over the limit"
        return "tight" if self.left < ENOUGH else "enough"

    @property
    def left_text(self) -> str:
        """Share left, in per cent."""
        if self.jams:
            return "none"
        return number(math.nan) if math.isnan(self.left) else f"{100 * self.left:.0f} %"


def _value(result: Result, name: str) -> float:
    found = result.quantities.get(name)
    return math.nan if found is None else found.value


def margins(result: Result) -> list[Margin]:
    """The numbers that decide, worst use of the limit first; those without a limit last."""
    made = [*_torque_margins(result), *_strain_margins(result)]
    safe, wound = _value(result, "safe_travel_mm"), _value(result, "travel_wound_mm")
    if math.isfinite(safe):
        left = (safe - wound) / max(safe, 1e-9)
        note = "largest from which it still comes out"
        made.append(Margin("travel", number(wound, "mm"), f"safe: {number(safe, 'mm')}", left, note))

    def tightest(margin: Margin) -> tuple[bool, float]:
        return not margin.counts, math.inf if math.isnan(margin.left) else margin.left

    return sorted(made, key=tightest)


def _torque_margins(result: Result) -> list[Margin]:
    """Torque of either direction beside the motor's; of a jam that of the jam, and what would force it."""
    motor = _value(result, "motor_stall_torque_at_axle_Nmm")
    limit = f"motor: {number(motor, 'N mm')}" if math.isfinite(motor) else "no motor given"
    jam, made = result.jam, []
    stuck = "retract" if result.status == Status.STALLED else "deploy"
    for words, which in (("torque winding in", "retract"), ("torque pushing out", "deploy")):
        peak = result.quantities.get(f"{which}_torque_peak_Nmm")
        if peak is None:
            continue
        if jam is None or which != stuck:
            left = 1.0 - peak.value / motor
            made.append(Margin(words, number(peak.value, "N mm"), limit, left, peak.note))
            continue
        left = min(0.0, 1.0 - jam.torque_Nmm / motor) if math.isfinite(motor) else 0.0
        note = f"{jam.mode}, at travel {number(jam.travel_mm, 'mm')}"
        made.append(Margin(words, number(jam.torque_Nmm, "N mm"), limit, left, note, jams=True))
        if peak.value > 1.01 * jam.torque_Nmm:  # the row of the jam is the first beyond the motor
            left, note = 1.0 - peak.value / motor, f"computed as if the motor were stronger; {peak.note}"
            forced = f"{words}, forced"
            made.append(Margin(forced, number(peak.value, "N mm"), limit, left, note, counts=False))
    return made


def _strain_margins(result: Result) -> list[Margin]:
    """Strain of each phase beside the material's limit; of a run that tells only one, that one."""
    limit, made = "100 % of the material's limit", []
    for words, name, counts in (
        ("strain winding in", "retract_strain_share", True),
        ("strain pushing out", "deploy_strain_share", True),
        ("strain, forced beyond the jam", "forced_strain_share", False),
    ):
        share = result.quantities.get(name)
        if share is not None and math.isfinite(share.value):
            text, left = per_cent(share.value), 1.0 - share.value
            made.append(Margin(words, text, limit, left, _place_of(share), counts=counts))
    share, strain = result.quantities.get("strain_share_peak"), result.quantities.get("strain_peak")
    if not made and share is not None and math.isfinite(share.value):
        where = strain.note if strain is not None else ""
        made.append(Margin("strain", per_cent(share.value), limit, 1.0 - share.value, where))
    return made


def _place_of(share: Quantity) -> str:
    """Where a strain is, from the note of its quantity, whose limit stands beside it already."""
    return share.note.removeprefix("of the material's limit, ").partition(", does not count")[0]


def verdict_line(result: Result) -> str:
    """Status, how it jams, and by how much a limit of strain is passed."""
    mode = None if result.jam is None else result.jam.mode
    return headline(result.status, mode, _value(result, "strain_share_peak"))


def explanations_of(result: Result) -> tuple[Outcome, ...]:
    """What to know about this outcome."""
    mode = None if result.jam is None else result.jam.mode
    return explanations(result.status, mode, _value(result, "strain_share_peak"))


def named_quantities(result: Result) -> list[tuple[str, Quantity]]:
    """All quantities in the order of the run, with plain names."""
    return [(words_of(name), quantity) for name, quantity in result.quantities.items()]


@dataclass(frozen=True)
class LayerRow:
    """The most strained state of one layer: where [mm from the root], in which state."""

    number: int
    material: str
    thickness: float
    limit: str
    strain: float
    share: float
    station: float
    state: str


def layer_strains(result: Result, case: Case | None) -> list[LayerRow]:
    """Largest strain of each layer over all kept states against its material's limit; empty if not kept."""
    shots = [shot for shot in result.snapshots if shot.layer_strain.shape[0]]
    if case is None or not shots or shots[0].layer_strain.shape[0] != len(case.strip.layers):
        return []
    rows = []
    for k, layer in enumerate(case.strip.layers):
        peaks = [float(np.nanmax(shot.layer_strain[k], initial=-1.0)) for shot in shots]
        shot = shots[int(np.argmax(peaks))]
        place = int(np.nanargmax(shot.layer_strain[k])) // shot.across.size
        one, two = layer.material.strain_limit, layer.material.strain_limit_2
        plain_limit = math.isnan(two) or two == one
        limit = f"{one:.3g}" if plain_limit else f"{one:.3g} along, {two:.3g} across the fibres"
        share = max(peaks) / one if plain_limit and layer.elsewhere is None else math.nan
        rows.append(LayerRow(k + 1, layer.material.name, layer.thickness, limit, max(peaks), share,
                             float(shot.station[place]), state_words(shot)))  # fmt: skip
    return rows


def run_quality(result: Result, case: Case | None) -> list[tuple[str, str]]:
    """What speaks for or against the numbers, as (what, finding)."""
    closure = result.energy_audit.get("closure_error", result.energy_audit.get("closure"))
    rows = [("model", f"{result.model}: {_MODELS.get(result.model, 'see the documentation')}")]
    if isinstance(closure, float):
        bad = "does NOT close: do not trust this run, halve solver.turn"
        trust = "closes" if closure <= AUDIT_LIMIT else bad
        rows.append(("energy balance", f"{trust}; largest error {100 * closure:.2g} % of the work done"))
    if case is not None:
        used = case.settings
        rows.append(
            ("mesh and steps", f"elements up to {used.element:g} mm, {used.element_fine:g} mm at root, slot "
             f"and bends; axle turns up to {used.turn:.3g} rad a step")
        )  # fmt: skip
    for one in result.attempts:
        which = one.settings or "settings of the case"
        end = f"stopped at {one.travel_mm:.1f} mm: {one.trouble}" if one.trouble else "this result"
        rows.append((f"computed with {which}", end))
    rows.append(("path", f"{result.rows} accepted steps, {len(result.snapshots)} states kept"))
    unstable = _value(result, "unstable_states")
    if math.isfinite(unstable):
        rows.append(("states on the move", f"{unstable:.0f} accepted states within a snap"))
    for name in ("retract_torque_peak_Nmm", "deploy_torque_peak_Nmm"):
        note = result.quantities[name].note if name in result.quantities else ""
        if "scatter" in note:
            rows.append((f"scatter of the {words_of(name)}", note.split("scatter ")[1]))
    rows.append(("time of the computation", f"{result.seconds:.1f} s"))
    return rows


_MODELS = {
    "rod": "planar rod with a section that opens and flattens; symmetric about the middle line, cannot twist",
    "shell": "layered 3-D shell",
}


def models_compared(first: Result, second: Result) -> list[tuple[str, str, str, str]]:
    """Two runs of a case with different models: (quantity, first, second, difference in per cent)."""
    rows = [("status", first.status, second.status, "same" if first.status == second.status else "DIFFERS")]
    for name, one in first.quantities.items():
        two = second.quantities.get(name)
        if two is None or not (math.isfinite(one.value) and math.isfinite(two.value)):
            continue
        scale = max(abs(one.value), abs(two.value), 1e-12)
        rows.append((words_of(name), number(one.value, one.unit), number(two.value, two.unit),
                     f"{100 * (one.value - two.value) / scale:+.0f} %"))  # fmt: skip
    return rows


def case_in_words(case: Case) -> list[str]:
    """The case in sentences."""
    strip, slot = case.strip, case.slot
    stuff = " / ".join(dict.fromkeys(layer.material.name for layer in strip.layers))
    hollow = "toward the axle (equal sense)" if strip.sense > 0 else "away from the axle (opposite sense)"
    bends = [f"{math.degrees(mark.angle):.3g}° at R {mark.radius:.3g} mm" for mark in strip.path.bends]
    rest = f"Its rest shape has {_count(len(bends), 'bend')}: {_listed(bends)}." if bends else ""
    said = [
        f"A strip {strip.length:.4g} mm long, {strip.width:.4g} mm wide (developed) and "
        f"{strip.thickness:.3g} mm thick, of {stuff} in {_count(len(strip.layers), 'layer')}; its section is "
        f"hollow {hollow}.",
        rest or "It is straight at rest.",
        f"The axle has a radius of {case.axle.radius:.3g} mm, the casing {case.casing.radius:.3g} mm inside; "
        f"the slot is {slot.gap:.3g} mm clear and {slot.length:.3g} mm long, its lips rounded to "
        f"{slot.lip:.3g} mm.",
        f"Friction: {case.friction.strip:.3g} on everything around, {case.friction.wraps:.3g} between wraps.",
    ]
    if case.obstacles:
        said.append(f"Around it: {_listed([type(one).__name__.lower() for one in case.obstacles])}.")
    if case.motor is not None:
        said.append(
            f"The motor gives {case.motor.axle_stall_torque:.4g} N mm at the axle held still and turns it at "
            f"most {case.motor.axle_no_load_speed * 30 / math.pi:.3g} times a minute."
        )
    else:
        said.append("No motor is named: torque is computed, not compared.")
    what = f"{case.push.kind}"
    if isinstance(case.push, Winding):
        outside = case.free_length - case.travel
        what += f": {case.travel:.4g} mm of travel, {outside:.3g} mm stay outside the slot"
    said.append(f"What is done: {what}. Weight {'acts' if case.weight.acts else 'is left out'}.")
    return said


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
