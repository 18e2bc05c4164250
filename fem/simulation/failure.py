"""Where and how a strip jams, read from accepted states only: facts of a state, and the same in words.

The facts are where the strip is bent most sharply, how far the coil lies on the casing, what torque was asked
for, whether travel stopped; `jam_modes` draws the name of the jam from them. A step that could not be
computed is never a jam: such a run did not converge, and is told so elsewhere.
"""

from __future__ import annotations

import numpy as np

from fem.case.definition import Case
from fem.simulation.jam_modes import Facts
from fem.simulation.kept_contact import KeptContact
from fem.simulation.strip_model import StripState

FOLD_SHARPNESS = 1.5
"""A fold is bent at least this much more sharply than the strip wound on the axle."""
AT_SLOT = 3.0
"""mm before and behind a bend within which it counts as standing at the slot."""


def facts(case: Case, state: StripState, contact: KeptContact, slot: float) -> Facts:
    """Facts of one state; `slot` is the station at the slot's inner end [mm]."""
    walls, wraps = contact
    assert walls is not None  # a strip that is wound has an axle
    counts = walls.lengths > 0
    station, lengths = walls.stations[counts], walls.lengths[counts]
    on_axle = walls.force_of("axle")[counts] > 0
    casing = (walls.force_of("casing")[counts] > 0) & (station < slot)
    coil = casing.copy()
    wrap_length = 0.0
    if wraps is not None:
        pressed = wraps.force_of("strip") > 0
        wrap_length = float(wraps.lengths[pressed].sum())
        coil |= np.interp(station, wraps.stations, pressed.astype(float)) > 0.5
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
