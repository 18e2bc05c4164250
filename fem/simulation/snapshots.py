"""The strip and its surroundings at one moment of a run, for pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fem.core.term import Array
from fem.results.snapshot import Snapshot
from fem.simulation.kept_contact import StateRecord, contact_fields, kept_contact
from fem.simulation.strip_model import StripModel, StripState

WITH_MODE = ("jam", "hardest")
"""Beginnings of the labels of those moments whose softest mode is worth its time."""


def snapshot(
    model: StripModel, row: Mapping[str, float], u: Array, record: StateRecord, label: str
) -> Snapshot:
    """The strip and its surroundings in a state with its row and the record of its contact; with the softest
    mode where it jams or pushes hardest.
    """
    state = model.state(u)
    pressure, gap = contact_fields(model, kept_contact(model, u, record), state)
    mode = np.empty((0, 0, 3))
    if any(word.startswith(WITH_MODE) for word in label.split("; ")):
        mode = model.softest_mode(u, record)
    return picture(
        state, label, int(row["step"]), int(row["phase"]), travel=row["travel_mm"],
        axle_angle=row["axle_angle_rad"], contact=pressure, obstacles=drawings(model), gap=gap,
        layer_strain=state.layer_strain, mode=mode,
    )  # fmt: skip


def picture(state: StripState, label: str, step: int, phase: int, **more: Any) -> Snapshot:
    """Snapshot of a state; more: entries of `Snapshot` beside its shape and what it carries."""
    plain: dict[str, Any] = {"travel": 0.0, "axle_angle": 0.0, "contact": np.zeros(state.height.shape)}
    return Snapshot(
        label=label, step=step, phase=phase, station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height, lateral=state.lateral,
        curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, thickness=np.asarray(state.thickness), **(plain | more),
    )  # fmt: skip


def drawings(model: StripModel) -> tuple[dict[str, object], ...]:
    """What surrounds the strip, as a snapshot tells it."""
    return tuple(wall.drawing() for wall in model.walls.walls) if model.walls else ()
