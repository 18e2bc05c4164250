"""Slots at ten heights, from flush with the casing below to flush with it above, and what each does.

    python tests/speed/slot_heights.py [CASE ...]

from the root; boom-corrected and lamp-strip unless told otherwise, with the rod. Each height must end in a
verdict on the strip, or be refused with a place and a remedy; the torque must run on smoothly (ROUGH) but
where the strip snaps or its first wrap climbs onto the end of the root, which is as high as the strip is
thick; and no face may lie deeper in a wall or wrap than DEPTH thicknesses. Ends with an error where one does
not.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from fem.case.definition import Case, read_case
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.core.term import Array
from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.recorder import DEPLOY, RETRACT
from fem.simulation.run import run_case

CASES, COUNT = ("boom-corrected", "lamp-strip"), 10
WINDOW, FEWEST = 0.5, 8
"""Turning of the axle [rad] over which a cubic is laid through the torques, and how many rows that takes."""
ROUGH, DEPTH = 0.05, 0.05
"""Largest distance of the torque from such a cubic, as a share of its peak that way; depth of a face over the
thickness.
"""
SLIPS = 0.1
"""A strip that travels by less than this share of what the axle's surface does sticks."""
SNAP, BESIDE = 1e-5, 0.3
"""Share of all work whose release within a row is a snap; turning [rad] on either side that belongs to it, to
the place where wraps begin to touch, or to the beginning, where friction takes hold.
"""


def heights(case: Case) -> Array:
    """Ten values of slot.height [mm] (the centre of the slot over the line on which the strip leaves the
    axle) from flush with the casing below to flush with it above.
    """
    most = case.casing.radius - 0.5 * case.slot.gap
    return np.linspace(-most, most, COUNT) + case.axle.radius + 0.5 * case.strip.thickness


def roughness(result: Result, phase: float, least: float = 0.0) -> tuple[float, float]:
    """Largest distance of the torque from cubics over its peak on one way, and the travel [mm] there, snaps
    and the first touch of wraps left out, and where the strip travels less than `least` [mm] per radian: at
    the turn-round the coil takes up its slack until it slips. nan where there is not enough of it.
    """
    here = result.path["phase"] == phase
    names = ("axle_angle_rad", "travel_mm", "torque_Nmm", "released_Nmm", "wrap_contact_mm")
    angle, travel, torque, released, touching = (result.path[name][here] for name in names)
    if here.sum() < FEWEST:
        return np.nan, np.nan
    snaps = np.abs(np.diff(released)) > SNAP * result.path["work_in_Nmm"].max()
    moving = np.abs(np.diff(travel)) > least * np.abs(np.diff(angle))  # and no row of a rest
    begins = np.append(True, moving[1:] & ~moving[:-1])
    events = np.append(angle[0], angle[1:][snaps | begins | ((touching[1:] > 0.0) != (touching[:-1] > 0.0))])
    worst, place = np.nan, np.nan
    for middle in np.arange(angle.min(), angle.max(), 0.25 * WINDOW):
        near = np.append(False, moving) & (np.abs(angle - middle) < 0.5 * WINDOW)
        if near.sum() < FEWEST or np.abs(events - middle).min(initial=np.inf) < 0.5 * WINDOW + BESIDE:
            continue
        along = angle[near] - middle
        off = np.abs(np.polyval(np.polyfit(along, torque[near], 3), along) - torque[near])
        if not off.max() < worst:
            worst, place = float(off.max()), float(travel[near][np.argmax(off)])
    return worst / float(np.abs(torque).max()), place


def look(case: Case, height: float) -> bool:
    """Run one height and print a line of it; whether it does what it must."""
    began = time.process_time()
    values: dict[str, float | bool] = {"slot.height": float(height), "push.safe_travel": False}
    try:
        result = run_case(changed(case, values))
    except InputError as problem:
        print(f"{height:8.2f}  refused: {problem}", flush=True)
        return "; write" in str(problem)
    gaps = [result.path[name] for name in ("smallest_gap_mm", "smallest_wrap_gap_mm")]
    gap = min((float(column.min()) for column in gaps if len(column)), default=np.nan) / case.strip.thickness
    rough = [roughness(result, phase, SLIPS * case.axle.radius) for phase in (RETRACT, DEPLOY)]
    peaks = [result.quantities.get(f"{way}_torque_peak_Nmm") for way in ("retract", "deploy")]
    told = " ".join(f"{peak.value:8.2f}" if peak else "        " for peak in peaks)
    ripples = " ".join(f"{100.0 * share:5.1f} at {place:5.1f}" for share, place in rough)
    seconds = time.process_time() - began
    print(f"{height:8.2f} {told} {ripples} {gap:7.3f} {seconds:6.1f}  {result.status}", flush=True)
    smooth = all(not share > ROUGH for share, _ in rough)
    return result.status != Status.NOT_CONVERGED and smooth and gap > -DEPTH


def main() -> None:
    good = True
    for name in sys.argv[1:] or CASES:
        case = read_case(ROOT / "cases" / f"{name}.toml")
        print(f"{name}: slot.height mm, hardest N mm in and out, farthest off % at mm, gap / t, CPU s")
        for height in heights(case):
            good = look(case, height) and good
    if not good:
        sys.exit(1)


if __name__ == "__main__":
    main()
