"""Checks of the torque at the axle against the energy the strip stores, without friction.

Without friction, and where nothing snaps, the torque of a slow turn is the slope of the stored energy over
the angle (principle of virtual work), and what goes in comes out again: the work of the whole cycle is what
snaps released. Nothing else in a run knows both sides: the torque is read from the forces on the clamped
root, the energy from the strip. Artificial mass and damping, faces that sink in, steps that are too long
would show here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache, partial
from typing import Any

import numpy as np

from fem.case.definition import case_from
from fem.core.term import Array
from fem.simulation.models import winding_model
from fem.simulation.recorder import RETRACT
from fem.simulation.retract_deploy import wind, winding_program
from fem.verification.published import Check

VIRTUAL_WORK = "principle of virtual work: without friction a slow torque is dU / d(angle) (no digits)"

AT_REST = 1e-4
"""Kinetic energy, and energy that motion takes in a step, as shares of the largest stored energy, up to which
nothing snaps.
"""

_FLAT: dict[str, Any] = {"kind": "flat"}
_PATHS: dict[str, tuple[dict[str, Any], list[dict[str, float]], float]] = {
    "flat strip of 60 mm": (_FLAT, [{"straight": 60.0}], 1.0),
    "curved strip of 45 mm": ({"kind": "arc", "radius": 12.0}, [{"straight": 45.0}], 0.8),
    "curved strip of 60 mm with a bend": (
        {"kind": "arc", "radius": 9.0},
        [{"straight": 25.0}, {"bend": 40.0, "radius": 25.0}, {"straight": 17.5}],
        0.8,
    ),
}
"""Section, path and thickness [mm] of soft strips that are wound in without friction."""


def tables(strip: str) -> dict[str, Any]:
    """The case file of one of the strips, as nested tables."""
    section, runs, thickness = _PATHS[strip]
    return {
        "title": strip,
        "strip": {
            "width": 12.0 if section is _FLAT else 10.0,
            "path": {"runs": runs},
            "section": section,
            "layers": [{"material": "soft", "thickness": thickness}],
        },
        "axle": {"radius": 4.0},
        "casing": {"radius": 9.0 if section is _FLAT else 8.0},
        "slot": {"gap": 1.5 if section is _FLAT else 1.6},
        "friction": {"strip": 0.0, "wraps": 0.0},
        "materials": {
            "soft": {
                "young": 80.0, "poisson": 0.45, "density": 1.2e-9, "strain_limit": 0.5, "source": "made up",
            }
        },
        "push": {"kind": "retract-then-deploy", "left_out": 14.0},
    }  # fmt: skip


@lru_cache
def _rows(strip: str, model: str) -> tuple[dict[str, float], ...]:
    case = case_from(tables(strip))
    program = winding_program(winding_model(case, model))
    if isinstance(program, str):
        raise ArithmeticError(program)
    outcome, log, _ = wind(program, case.travel, True, lambda share, text: None)
    if not outcome.deployed:
        raise ArithmeticError(f"the strip did not come out: {outcome.trouble}")
    return tuple(log.rows)


def _columns(rows: Sequence[Mapping[str, float]], *names: str) -> tuple[Array, ...]:
    return tuple(np.array([row[name] for row in rows]) for name in names)


def slope_errors(rows: Sequence[Mapping[str, float]]) -> Array:
    """|torque - dU / d(angle)| winding in, over the largest torque, of each step between states at rest."""
    turn, strain, contact, kinetic, released, damped, torque = _columns(
        [row for row in rows if row["phase"] == RETRACT],
        "axle_angle_rad", "energy_strain_Nmm", "energy_contact_Nmm", "energy_kinetic_Nmm", "released_Nmm",
        "loss_damping_Nmm", "torque_Nmm",
    )  # fmt: skip
    stored, little = strain + contact, AT_REST * largest_stored(rows)
    moving = kinetic > little
    calm = (np.diff(turn) > 1e-6) & ~moving[1:] & ~moving[:-1]
    for lost in (released, damped):  # after a snap the control waits, and no motion is left to see
        calm &= np.abs(np.diff(lost)) < little
    slope, mean = np.diff(stored)[calm] / np.diff(turn)[calm], 0.5 * (torque[1:] + torque[:-1])[calm]
    return np.asarray(np.abs(slope - mean) / np.abs(torque).max())


def largest_stored(rows: Sequence[Mapping[str, float]]) -> float:
    """The largest energy stored [N mm]."""
    strain, contact = _columns(rows, "energy_strain_Nmm", "energy_contact_Nmm")
    return float((strain + contact).max())


def work_kept(rows: Sequence[Mapping[str, float]]) -> float:
    """Work of winding in and pushing out less what snaps released, over the largest energy stored."""
    return float((rows[-1]["work_in_Nmm"] - rows[-1]["released_Nmm"]) / largest_stored(rows))


def slope_error(strip: str, model: str) -> float:
    """The largest of `slope_errors` of a strip."""
    rows = _rows(strip, model)
    errors = slope_errors(rows)
    if len(errors) < 0.5 * (sum(row["phase"] == RETRACT for row in rows) - 1):
        raise ArithmeticError("the strip is at rest in less than half of the steps")
    return float(errors.max())


def cycle_work(strip: str, model: str) -> float:
    """`work_kept` of a strip."""
    return work_kept(_rows(strip, model))


def _checks() -> list[Check]:
    group, checks = "torque without friction", []
    for strip, model in [(strip, "rod") for strip in _PATHS] + [("flat strip of 60 mm", "shell")]:
        about = f"{strip} wound in without friction ({model})"
        reason = "the slope is a difference over a step of .05 rad, the artificial mass a thousandth"
        for what, compute in (
            ("|T - dU / d(angle)| over the largest T", slope_error),
            ("work of the cycle besides snaps over the energy stored", cycle_work),
        ):
            how = partial(compute, strip, model)
            checks.append(
                Check(f"{about}, {what}", group, model, VIRTUAL_WORK, 0.0, 0.01, reason, how, relative=False)
            )
    return checks


ENERGY_CHECKS: tuple[Check, ...] = tuple(_checks())
