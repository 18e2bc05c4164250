"""How far a number may move before it counts as another number, by its name.

The same program gives the same digits again on one machine. On another processor (linear algebra and compiled
loops without AVX and FMA, against with them) no number of three rod cases moved by more than 1e-7; the shell
was not tried. Tolerances are therefore not for rounding. They are for honest changes of the program (another
order of steps, another start of an iteration) and as wide as numbers were seen to move with step and mesh:

- 2 %: torque winding in, strain: what friction does not amplify.
- 5 %: whatever is pushed out. Friction around the coil amplifies it, most of all just after reversal. The
  strain of a rigid grip itself, which hardly converges as elements shrink.
- 1 mm: travel at which something happens; a step moves the strip by about that much.
- 2 mm: the safe travel, which is searched to that.
- 1 %: a bench push, which has no such friction; 2 to 3 % where axle and slot hold it.
- 20 %: shape error and edge waves, small differences of large places; 30 %: pressures, read at single points.
- 30 %: what is computed beyond a jam, where the motor could not go any more.

A case may give its own relative tolerance in its table `compare`; it stands in place of all of that.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Tolerance:
    """Share of the accepted value, and a difference in the number's own unit; the larger of both counts."""

    relative: float
    absolute: float = 0.0

    def by_share(self, accepted: float) -> bool:
        """Whether it is the share that counts."""
        return self.relative * abs(accepted) >= self.absolute

    def allowed(self, accepted: float) -> float:
        """Largest difference that does not matter; nan for a value that is nan."""
        return max(self.relative * abs(accepted), self.absolute)


TORQUE, PUSHED, BENCH = Tolerance(0.02, 0.02), Tolerance(0.05, 0.05), Tolerance(0.01, 1e-6)
FORCE, PUSHED_FORCE = Tolerance(0.02, 0.02), Tolerance(0.05, 0.02)
PLACE, SEARCHED = Tolerance(0.0, 1.0), Tolerance(0.0, 2.0)
BEYOND_JAM = 0.3
"""Share that numbers may move by which a jammed run reads beyond its jam."""
DRAG = Tolerance(0.0, 0.003)
"""Of a share that should be next to nothing."""
OTHER = Tolerance(0.02, 1e-9)
"""For a number that is not listed below."""

TOLERANCES: dict[str, Tolerance] = {
    "retract_torque_peak_Nmm": TORQUE,
    "retract_push_peak_N": FORCE,
    "retract_time_s": Tolerance(0.02, 0.01),
    "retract_margin": Tolerance(0.0, 0.02),
    "deploy_torque_peak_Nmm": PUSHED,
    "deploy_push_peak_N": PUSHED_FORCE,
    "deploy_time_s": Tolerance(0.05, 0.01),
    "deploy_margin": Tolerance(0.0, 0.05),
    "motor_stall_torque_at_axle_Nmm": Tolerance(1e-6),
    "travel_wound_mm": PLACE,
    "travel_left_mm": PLACE,
    "axle_turns": Tolerance(0.01, 0.02),
    "strain_peak": Tolerance(0.02),
    "strain_share_peak": Tolerance(0.02),
    "strain_share_clamp": Tolerance(0.05),
    "moment_uniform_Nmm": BENCH,
    "moment_steady_Nmm": BENCH,
    "retract_strain_share": Tolerance(0.02),
    "deploy_strain_share": Tolerance(0.05),
    "forced_strain_share": Tolerance(BEYOND_JAM),
    "turn_round_travel_mm": Tolerance(0.0, 0.5),
    "retract_drag_share": DRAG,
    "deploy_drag_share": DRAG,
    "released_Nmm": Tolerance(0.5, 1.0),
    "motor_torque_needed_Nmm": PUSHED,
    "travel_to_choose_mm": SEARCHED,
    "left_out_to_choose_mm": SEARCHED,
    "casing_contact_peak_rad": Tolerance(0.05, 0.1),
    "curvature_peak_per_mm": Tolerance(0.03),
    "unstable_states": Tolerance(0.5, 10.0),
    "wrap_gap_true_mm": Tolerance(0.0, 0.05),
    "safe_travel_mm": SEARCHED,
    "jam_torque_Nmm": PUSHED,
    "jam_travel_mm": PLACE,
    "jam_station_mm": Tolerance(0.0, 3.0),
    "bend_peak_torque_Nmm": PUSHED,
    "bend_peak_push_N": PUSHED_FORCE,
    "bend_station_mm": Tolerance(0.0, 1e-3),
    "moment_end_Nmm": BENCH,
    "moment_peak_Nmm": BENCH,
    "force_end_N": BENCH,
    "force_peak_N": BENCH,
    "energy_end_Nmm": BENCH,
    "stiffness_start": BENCH,
    "stiffness_N_per_mm": Tolerance(0.03),
    "snap_load_N": Tolerance(0.03),
    "critical_force_N": Tolerance(0.02),
    "shape_error_mm": Tolerance(0.2),
    "shape_error_weighed_mm": Tolerance(0.2),
    "tip_sag_mm": Tolerance(0.03, 0.01),
    "flattened_slot": Tolerance(0.0, 0.05),
    "flattened_axle": Tolerance(0.0, 0.05),
    "edge_wave_mm": Tolerance(0.2, 0.05),
    "twist_largest_rad": Tolerance(0.2, 0.02),
    "pressure_N_per_mm2": Tolerance(0.3),
    "energy_closure_error": Tolerance(0.0, 0.005),
    "curve_retract": Tolerance(0.0, 0.02),
    "curve_deploy": Tolerance(0.0, 0.05),
    "curve_push": Tolerance(0.0, 0.02),
}
"""Every number that is compared. Bends share their names (`bend_1_peak_push_N` is a `bend_peak_push_N`).

A curve's number is its largest distance from the accepted one, as a share of that one's own height and width.
"""

AFTER_JAM = frozenset({
    "deploy_torque_peak_Nmm", "deploy_push_peak_N", "deploy_time_s", "deploy_margin", "travel_left_mm",
    "casing_contact_peak_rad", "curvature_peak_per_mm", "bend_peak_torque_Nmm", "bend_peak_push_N",
    "forced_strain_share", "motor_torque_needed_Nmm",
})  # fmt: skip
"""Numbers of a jammed run that are read from rows beyond the jam too."""


def general(name: str) -> str:
    """`bend_2_peak_push_N` -> `bend_peak_push_N`, `critical_force_at_20mm_N` -> `critical_force_N`,
    `pressure_wraps_N_per_mm2` -> `pressure_N_per_mm2`.
    """
    name = re.sub(r"^bend_\d+_", "bend_", name)
    name = re.sub(r"^critical_force_at_.*mm_N$", "critical_force_N", name)
    return re.sub(r"^pressure_.*_N_per_mm2$", "pressure_N_per_mm2", name)


def tolerance(name: str, own: Mapping[str, float], jammed: bool = False) -> Tolerance:
    """Tolerance of a number; own: relative ones of the case; jammed: whether the run ended in a jam."""
    listed = general(name)
    if listed in own:
        curve = listed.startswith("curve_")
        return Tolerance(0.0, own[listed]) if curve else Tolerance(own[listed])
    known = TOLERANCES.get(listed, OTHER)
    if jammed and listed in AFTER_JAM:
        return replace(known, relative=max(known.relative, BEYOND_JAM))
    return known
