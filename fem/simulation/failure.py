"""Where and how a strip jams, read from accepted states only.

The raw facts come first: where the strip is bent most sharply, how far the coil lies on the casing, what
torque was asked for, whether travel stopped. The name of the mode is drawn from them by the rules of `MODES`,
in order. A step that could not be computed is never a jam: it ends in the status "not converged" elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.simulation.strip_model import StripState, Walls, Wraps

FOLD_SHARPNESS = 1.5
"""A fold is bent at least this much more sharply than the strip wound on the axle."""
LOCKED_CONTACT = 3.0
"""Contact of the coil with the casing [rad] from which friction there can lock it (exp(0.2 * 3) = 1.8)."""
AT_SLOT = 3.0


@dataclass(frozen=True)
class Facts:
    """What is seen in one state.

    Stations [mm from the root]: last contact with the axle (lift), first and last contact of the coil with
    casing or itself (coil_start, coil_end), slot's inner and outer end, sharpest curvature (sharpest) with
    its value [1/mm]. casing contact [rad], length of touching wraps [mm], bend whose stretch lies in the slot
    (0 if none), largest axial compression [N] and its station.
    """

    lift: float
    coil_start: float
    coil_end: float
    slot: float
    mouth: float
    sharpest: float
    curvature: float
    casing_contact: float
    wrap_contact: float
    bend: int
    compression: float
    compression_station: float
    sharp_limit: float

    def region(self) -> str:
        """Where the sharpest curvature sits, in words."""
        s = self.sharpest
        if s > self.mouth:
            return "outside the slot"
        if s > self.slot:
            return "in the slot"
        if s > self.coil_end:
            return "between coil and slot"
        if s > self.coil_start:
            return "in the coil"
        return "at the root" if s <= self.lift else "between axle and coil"


@dataclass(frozen=True)
class Mode:
    """One way to jam: name, rule, what it looks like and what acts on it."""

    name: str
    applies: Callable[[Facts, bool, bool], bool]
    explanation: str
    remedies: tuple[str, ...]

    @property
    def fold(self) -> bool:
        """Whether the strip folds over."""
        return "folds" in self.name


def _folded(facts: Facts, low: float, high: float) -> bool:
    return facts.curvature > facts.sharp_limit and low <= facts.sharpest <= high


MODES: tuple[Mode, ...] = (
    Mode(
        "root span folds",
        lambda f, moved, over: _folded(f, 0.0, min(f.coil_start, f.slot)) and not moved,
        "the coil holds fast in the casing and the span from the axle to it folds over",
        (
            "lower the friction inside the casing",
            "make the casing smaller so that the coil cannot swell",
            "stiffen the root",
            "wind in less of the strip",
        ),
    ),
    Mode(
        "strip folds before the slot",
        lambda f, moved, over: _folded(f, f.coil_start, f.slot),
        "the span that runs to the slot folds over inside the casing",
        ("move the slot nearer the coil", "lower the friction at the slot", "deepen the section"),
    ),
    Mode(
        "strip folds outside the slot",
        lambda f, moved, over: _folded(f, f.slot, np.inf),
        "the strip folds at or beyond the slot",
        ("guide the strip outside the slot", "deepen the section", "remove what it runs into"),
    ),
    Mode(
        "bend does not pass the slot",
        lambda f, moved, over: f.bend > 0 and moved,
        "a pre-formed bend is straightened in the slot and costs more than there is",
        (
            "make the bend's radius larger",
            "widen or shorten the slot",
            "round the lips more",
            "thin the strip at the bend",
        ),
    ),
    Mode(
        "coil locks in the casing",
        lambda f, moved, over: f.casing_contact > LOCKED_CONTACT,
        "the coil swells against the casing and friction around it grows like a belt's",
        (
            "lower the friction inside the casing",
            "make the casing smaller so that the coil cannot swell",
            "shallow the section",
            "wind in less of the strip",
        ),
    ),
    Mode(
        "motor too weak",
        lambda f, moved, over: over,
        "nothing folds or locks, but more torque is asked for than the motor has",
        (
            "choose a stronger motor or a higher gear ratio",
            "lower the friction",
            "thin the strip or shallow its section",
        ),
    ),
    Mode(
        "strip stops moving",
        lambda f, moved, over: True,
        "the axle goes on turning, but no more strip comes through the slot",
        (
            "lower the friction inside the casing",
            "make the casing smaller so that the coil cannot swell",
            "stiffen the root",
        ),
    ),
)
"""First that applies, from the sharpest evidence to the mildest."""


def facts(case: Case, state: StripState, walls: Walls, wraps: Wraps | None, u: Array, slot: float) -> Facts:
    """Facts of one state; `slot` is the station at the slot's inner end [mm]."""
    counts = walls.points.lengths > 0
    force = walls.forces(u)[counts]
    station, lengths = walls.points.stations[counts], walls.points.lengths[counts]
    names = [wall.name for wall in walls.walls]
    on_axle = force[:, :, names.index("axle")].sum(axis=1) > 0
    casing = (force[:, :, names.index("casing")].sum(axis=1) > 0) & (station < slot)
    coil = casing.copy()
    wrap_length = 0.0
    if wraps is not None:
        pressed = wraps.held[..., 0].sum(axis=1) > 0
        wrap_length = float(wraps.points.lengths[pressed].sum())
        coil |= np.interp(station, wraps.points.stations, pressed.astype(float)) > 0.5
    inside = coil & (station < slot - 2.0)
    run = int(np.argmin(on_axle)) if not on_axle.all() else len(station)
    lift = float(station[run - 1]) if run > 0 else 0.0
    coil_start = float(station[inside].min()) if inside.any() else slot
    coil_end = float(station[inside].max()) if inside.any() else lift
    curvature = np.abs(state.curvature)
    sharpest = int(np.argmax(curvature))
    pushed = int(np.argmin(state.axial_force))
    bend = next((m.index for m in case.strip.path.bends if m.start - AT_SLOT <= slot <= m.end + AT_SLOT), 0)
    return Facts(
        lift,
        max(coil_start, lift),
        coil_end,
        slot,
        slot + case.slot.length,
        float(state.station[sharpest]),
        float(curvature[sharpest]),
        float(lengths[casing].sum() / case.casing.radius),
        wrap_length,
        bend,
        max(0.0, -float(state.axial_force[pushed])),
        float(state.station[pushed]),
        FOLD_SHARPNESS / (case.axle.radius + 0.5 * case.strip.thickness),
    )


def name_mode(seen: Facts, moved: bool, overload: bool) -> Mode:
    """The mode that the facts speak for.

    moved: the strip has come out some way since pushing began; overload: more torque is asked for than the
    motor has.
    """
    return next(mode for mode in MODES if mode.applies(seen, moved, overload))


def place_of(mode: Mode, seen: Facts) -> float:
    """Station [mm from the root] at which to mark the jam."""
    if mode.fold:
        return seen.sharpest
    if mode.name == "coil locks in the casing":
        return 0.5 * (seen.coil_start + seen.coil_end)
    return seen.slot if mode.name == "bend does not pass the slot" else seen.compression_station


def evidence(seen: Facts, torque: float, motor: float | None, idle: float | None) -> tuple[str, ...]:
    """The facts in sentences."""
    lines = [
        f"sharpest curvature {seen.curvature:.3f} /mm (radius {1 / max(seen.curvature, 1e-9):.1f} mm) "
        f"at {seen.sharpest:.1f} mm from the root, {seen.region()}",
        f"the coil lies on the casing over {seen.casing_contact:.1f} rad "
        f"and on itself over {seen.wrap_contact:.0f} mm",
        f"largest compression {seen.compression:.2f} N at {seen.compression_station:.1f} mm from the root",
    ]
    if motor is not None:
        lines.append(f"torque asked for {torque:.1f} N mm, motor has {motor:.1f} N mm")
    if idle is not None:
        lines.append(f"the axle turned {idle:.1f} rad while the strip did not move at the slot")
    if seen.bend:
        lines.append(f"bend {seen.bend} stands at the slot")
    return tuple(lines)
