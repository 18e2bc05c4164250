"""Results made up for the tests of storing and drawing: plausible shapes and curves, no physics."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fem.core.term import Array
from fem.results.outcome import Status
from fem.results.result import BendPassage, Jam, Quantity, Result
from fem.results.snapshot import Snapshot
from fem.simulation.jam_modes import JamMode

WIDTH, THICKNESS, SECTION_RADIUS = 12.0, 1.0, 9.0
AXLE, CASING, LIP, GAP = 2.0, 8.0, 0.6, 1.5
LEVEL = -(AXLE + THICKNESS / 2)


@dataclass(frozen=True)
class Shape:
    """Length of a strip and its pre-formed bends: (start, length, angle)."""

    length: float
    bends: tuple[tuple[float, float, float], ...]
    stations: int


BOOM = Shape(95.0, ((22.0, 20.0, 0.96), (60.0, 18.0, -0.7)), 121)
LAMP = Shape(420.0, (), 421)


def walls(length: float = 2.5) -> tuple[dict[str, Any], ...]:
    """Axle, casing with slot, a post and a plane, as a run hands them over."""
    core, half = CASING + LIP, GAP / 2 + LIP
    low, high = np.arcsin((LEVEL - half) / core), np.arcsin((LEVEL + half) / core)
    outer = core + length
    bar = {"kind": "bar", "radius": LIP, "x2": outer}
    return (
        {"name": "axle", "kind": "disc", "x": 0.0, "y": 0.0, "radius": AXLE, "turning": True},
        {"name": "casing", "kind": "arc", "x": 0.0, "y": 0.0, "core": core, "radius": LIP,
         "start": high, "sweep": 2 * np.pi + low - high},
        bar | {"name": "slot, axle side", "x": core * np.cos(high), "y": LEVEL + half, "y2": LEVEL + half},
        bar | {"name": "slot, far side", "x": core * np.cos(low), "y": LEVEL - half, "y2": LEVEL - half},
        {"name": "post", "kind": "disc", "x": 30.0, "y": -14.0, "radius": 3.0, "turning": False},
    )  # fmt: skip


def rest_heading(s: Array, shape: Shape) -> Array:
    """Heading of the rest path, (n,)."""
    heading = np.zeros_like(s)
    for start, length, angle in shape.bends:
        x = np.clip((s - start) / length, 0.0, 1.0)
        heading += angle * (x - np.sin(2 * np.pi * x) / (2 * np.pi))
    return heading


def _walk(start: Array, heading: Array, s: Array) -> Array:
    step = np.diff(s)[:, None]
    direction = np.stack([np.cos(heading), np.sin(heading)], axis=1)
    return np.concatenate([[start], start + np.cumsum(step * (direction[1:] + direction[:-1]) / 2, axis=0)])


def intended_path(shape: Shape = BOOM) -> Array:
    """Rest path of the fully deployed strip, (k, 2)."""
    s = np.linspace(0.0, shape.length, 200)
    return _walk(np.array([0.0, LEVEL]), rest_heading(s, shape), s)


def _centreline(travel: float, swell: float, shape: Shape) -> tuple[Array, Array, float]:
    """Dense (s, points, wind angle): spiral from the axle, a blend to the slot, the rest path beyond."""
    inner = -LEVEL
    outer = inner if travel == 0 else inner + 1.05 * travel / (2 * np.pi * 4.0) * (1 - swell) + swell * 4.6
    leave = -np.pi / 2
    turn = 0.0 if travel == 0 else 2 * travel / (inner + outer)
    theta = np.linspace(0.0, 1.0, 400)
    radius = inner + (outer - inner) * theta ** (0.6 if swell else 1.0)
    spiral = np.stack(
        [radius * np.cos(leave - turn + turn * theta), radius * np.sin(leave - turn + turn * theta)], 1
    )
    start, end = spiral[-1], np.array([CASING, LEVEL])
    u = np.linspace(0.0, 1.0, 120)[1:, None]
    reach = float(np.hypot(*(end - start)))
    blend = (
        (2 * u**3 - 3 * u**2 + 1) * start
        + (u**3 - 2 * u**2 + u) * reach * np.array([1.0, 0.0])
        + (3 * u**2 - 2 * u**3) * end
        + (u**3 - u**2) * reach * np.array([1.0, 0.0])
    )
    inside = np.concatenate([spiral if travel else spiral[-1:], blend])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(inside, axis=0).T))])
    beyond = np.linspace(s[-1], shape.length, 500)
    heading = rest_heading(beyond, shape)
    outside = _walk(inside[-1], heading - heading[0], beyond)
    return np.concatenate([s, beyond[1:]]), np.concatenate([inside, outside[1:]]), turn


def snapshot(label: str, travel: float, phase: int, swell: float = 0.0, shape: Shape = BOOM) -> Snapshot:
    """The strip with `travel` mm on the axle; `swell` 0 tight coil ... 1 coil pressed against the casing."""
    dense, points, turn = _centreline(travel, swell, shape)
    station = np.linspace(0.0, shape.length, shape.stations)
    position = np.stack([np.interp(station, dense, points[:, k]) for k in (0, 1)], axis=1)
    heading = np.unwrap(np.arctan2(*np.gradient(position, station, axis=0).T[::-1]))
    curvature = np.gradient(heading, station)
    across = np.linspace(-WIDTH / 2, WIDTH / 2, 9)
    slot = float(dense[519 if travel else 119])
    opening = 1 / (1 + np.exp(-(station - slot) / 2.5)) * (1 - np.exp(-station / 3))
    angle = opening[:, None] * across / SECTION_RADIUS  # of an arc opened to `opening` of its curvature
    height = across * np.sinc(angle / 2 / np.pi) * np.sin(angle / 2)
    lateral = across * np.sinc(angle / np.pi)
    bend = np.abs(curvature[:, None])
    share = 4.5 * bend * THICKNESS / 2 * (1 + 0.4 * (across / 6) ** 2) + 0.06
    share *= 0.4 + 0.6 * np.exp(-station[:, None] / 60)
    contact = np.where(np.hypot(*position.T)[:, None] > 6.5, 0.02, 0.0) * (station < slot)[:, None]
    return Snapshot(
        label=label, step=int(travel * 4), phase=phase, travel=travel, axle_angle=turn, station=station,
        position=position, heading=heading, across=across, height=height, lateral=lateral,
        curvature=curvature, axial_force=np.linspace(-3.0, 0.0, station.size), strain=share * 0.05,
        strain_share=share, contact=contact + 0 * across, thickness=np.array(THICKNESS), obstacles=walls(),
    )  # fmt: skip


def _path(travel: Array, phase: Array, jammed: bool) -> dict[str, Array]:
    def bump(place: float, wide: float) -> Array:
        return np.exp(-(((travel - place) / wide) ** 2))

    back = phase == 2
    torque = 9 + 0.12 * travel + 7 * bump(30, 5) + 5 * bump(66, 4)
    torque = np.where(back, 1.5 * torque + 12 * bump(66, 3), torque)
    if jammed:
        torque = np.where(back, torque + 55 * np.exp(-(travel - travel[-1]) / 3.0), torque)
    push = np.where(back, 0.11 * torque - 0.6, -0.25 - 0.004 * travel - 0.5 * bump(30, 5))
    moved = np.abs(np.diff(travel, prepend=0.0))
    work = np.cumsum(torque * moved / 4.5)
    strain = 180 * (travel / 82) ** 1.3
    friction = 0.8 * np.clip(work - strain, 0, None)
    nan = np.full_like(travel, np.nan)
    return {
        "step": np.arange(travel.size, dtype=float), "time_s": 0.05 * np.arange(travel.size), "phase": phase,
        "axle_angle_rad": travel / 4.2, "travel_mm": travel, "torque_Nmm": torque,
        "motor_torque_Nmm": np.full_like(travel, 48.0), "push_N": push, "tip_x_mm": nan, "tip_y_mm": nan,
        "strain_peak": 0.02 + travel * 3e-4, "strain_share": 0.3 + travel * 6e-3, "energy_strain_Nmm": strain,
        "energy_contact_Nmm": 0.02 * strain, "energy_kinetic_Nmm": 0.001 * strain, "work_in_Nmm": work,
        "loss_friction_Nmm": friction, "loss_damping_Nmm": 0.05 * friction,
        "loss_numerical_Nmm": 0.01 * friction,
        "audit_error": np.full_like(travel, 0.004), "stable": np.ones_like(travel),
    }  # fmt: skip


def deployed() -> Result:
    """A full cycle: in and out again."""
    inward = np.linspace(0.0, 82.0, 220)
    travel = np.concatenate([inward, inward[::-1]])
    phase = np.repeat([1.0, 2.0], inward.size)
    return Result(
        case_name="boom-corrected",
        title="Microphone boom, wider slot and softer root",
        model="rod",
        status=Status.DEPLOYED,
        sentence="Winds in with 19 N mm and comes out with 44 N mm; the motor has 48 N mm, 4 N mm to spare.",
        quantities={
            "retract_torque_peak": Quantity(19.4, "N mm"),
            "deploy_torque_peak": Quantity(43.9, "N mm", "band 5 %"),
            "safe_travel": Quantity(float("nan"), "mm"),
        },
        jam=None,
        bends=(BendPassage(1, 32.0, 27.7, 2.4, 30.0), BendPassage(2, 69.0, 43.9, 4.2, 66.0)),
        energy_audit={"work_in_Nmm": 560.0, "closure": 0.004, "worst_step": 311},
        seconds=3.25,
        path=_path(travel, phase, jammed=False),
        snapshots=(
            snapshot("fully out", 0.0, 0),
            snapshot("first bend in the slot", 30.0, 1),
            snapshot("wound in", 82.0, 1),
            snapshot("second bend in the slot", 66.0, 2, swell=0.8),
        ),
        warnings=("largest strain .041 is beyond the linear range of the material",),
        provenance={"version": "0.1.0", "case_digest": "0f3a", "settings": {"elements": 48}},
        intended_path=intended_path(),
    )


def jammed() -> Result:
    """The way in works, the way out stops at 58 mm."""
    inward = np.linspace(0.0, 82.0, 220)
    outward = np.linspace(82.0, 57.6, 80)
    travel = np.concatenate([inward, outward])
    phase = np.concatenate([np.full(220, 1.0), np.full(80, 2.0)])
    return replace(
        deployed(),
        case_name="boom-stiff",
        title="Microphone boom, stiff single material",
        status=Status.JAMMED,
        sentence="Jams on the way out: the coil locks up in the casing with 58 mm still wound in, 41 mm from "
        "the root; the push wants 84 N mm and the motor has 48 N mm.",
        jam=Jam(
            JamMode.COIL_LOCKS, 41.0, 57.6, 84.1,
            evidence=("coil touches the casing over 9.4 rad", "push at the slot is 2 % of that at the root"),
            remedies=("lower the friction", "retract no further than 40 mm"),
        ),
        bends=(BendPassage(2, 69.0, 52.0, 4.2, 66.0),),
        path=_path(travel, phase, jammed=True),
        snapshots=(
            snapshot("fully out", 0.0, 0),
            snapshot("wound in", 82.0, 1),
            snapshot("jam", 57.6, 2, swell=1.0),
        ),
    )  # fmt: skip


def long_lamp() -> Result:
    """A long straight strip far out of a small casing."""
    shots = (snapshot("nearly out", 20.0, 2, shape=LAMP),)
    base = replace(deployed(), case_name="lamp", title="Lamp strip", snapshots=shots, bends=())
    return replace(base, intended_path=intended_path(LAMP))


def pressed() -> Result:
    """A strip without axle and casing, standing on a plane."""
    out = snapshot("pressed", 0.0, 3)
    plane = {"name": "plane", "kind": "plane", "x": 40.0, "y": -6.0, "nx": 0.2, "ny": 1.0, "radius": 0.0}
    shots = (replace(out, obstacles=(plane, walls()[-1])),)
    return replace(deployed(), case_name="boom-pressed", status=Status.HELD, snapshots=shots, bends=())
