"""The energy balance of winding in and pushing out: what did not close, what snaps released, what is drag."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fem.results.result import Quantity
from fem.simulation.recorder import DEPLOY, RETRACT, Log

AUDIT_WARNING, DRAG_WARNING = 0.02, 0.005
PHASES = (("retract", RETRACT, "winding in"), ("deploy", DEPLOY, "pushing out"))


def energy_audit(log: Log) -> dict[str, object]:
    """Entries of the energy balance at the end of each phase, and what did not close in it.

    The error is the largest departure of the balance within the phase over the larger of the work done in it
    and the energy stored.
    """
    audit: dict[str, object] = {}
    worst = 0.0
    for name, phase, _ in PHASES:
        rows = [row for row in log.rows if row["phase"] == phase]
        if not rows:
            continue
        first, last = rows[0], rows[-1]
        scale = max(_work(rows), *(row["energy_strain_Nmm"] for row in rows), 1e-12)
        closure = "audit_closure_Nmm"
        error = max(abs(row[closure] - first[closure]) for row in rows) / scale
        worst = max(worst, error)
        audit[name] = {
            "work_in_Nmm": last["work_in_Nmm"],
            "stored_Nmm": last["energy_strain_Nmm"] + last["energy_contact_Nmm"],
            "kinetic_Nmm": last["energy_kinetic_Nmm"], "friction_Nmm": last["loss_friction_Nmm"],
            "damping_Nmm": last["loss_damping_Nmm"], "numerical_Nmm": last["loss_numerical_Nmm"],
            "released_Nmm": last["released_Nmm"], "drag_Nmm": last["drag_Nmm"], "largest_error": error,
        }  # fmt: skip
    audit["closure_error"] = worst
    return audit


def drag_shares(rows: Sequence[Mapping[str, float]]) -> dict[str, Quantity]:
    """Drag of each phase by name, from the rows that count for the verdict: work against damping and inertia
    outside snaps over the largest work done within the phase; and the energy that snaps released in all.
    """
    found = {}
    for name, phase, words in PHASES:
        part = [row for row in rows if row["phase"] == phase]
        work = _work(part)
        if work > 0.0:
            share = abs(part[-1]["drag_Nmm"] - part[0]["drag_Nmm"]) / work
            found[f"{name}_drag_share"] = Quantity(
                share, "1", f"work of {words} done against damping and inertia"
            )
    if rows:
        note = "lost to damping and steps while the strip snapped"
        found["released_Nmm"] = Quantity(rows[-1]["released_Nmm"], "N mm", note)
    return found


def audit_warnings(audit: Mapping[str, object], numbers: Mapping[str, Quantity]) -> list[str]:
    """What of the energy balance a reader must know."""
    lines = []
    error = float(audit.get("closure_error", 0.0))  # type: ignore[arg-type]
    if error > AUDIT_WARNING:
        lines.append(
            f"the energy balance closes to {100 * error:.1f} % only (2 % expected): halve solver.turn"
        )
    for name, _, words in PHASES:
        drag = numbers.get(f"{name}_drag_share")
        if drag is not None and drag.value > DRAG_WARNING:
            lines.append(
                f"{100 * drag.value:.1f} % of the work of {words} is drag of the program, not the strip's "
                f"({100 * DRAG_WARNING:g} % expected): torques are too high by about that; halve solver.turn"
            )
    return lines


def _work(rows: Sequence[Mapping[str, float]]) -> float:
    """Largest work [N mm] done since the first of some rows."""
    return max((abs(row["work_in_Nmm"] - rows[0]["work_in_Nmm"]) for row in rows), default=0.0)
