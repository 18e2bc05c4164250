"""Hand estimates of a case: what can be told from cross-sections and dimensions, without a solve.

The coil is taken as a tight spiral (its area is length times thickness), and the torque to wind it as the
energy stored per length times the coil's radius (energy balance of a coil: Rimrott 1965, Mach. Des. 37:156;
Seffen & Pellegrino 1999, Proc. R. Soc. A 455:1003; from memory). For that energy the edges may curl, as those
of a wide plate do (Ashwell 1950, J. R. Aeronaut. Soc. 54:708, from memory); strains are those of the strip
pressed flat. The torque is a lower bound: friction and the flattening at the slot come on top, and whether
the strip comes out again is not answered here at all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fem.case.cautions import cautions
from fem.case.definition import Case
from fem.design.loading import Winding
from fem.section_model.fold_model import SectionProblem
from fem.section_model.fold_strain import (
    LayerStrain,
    flattening_strain,
    free_coil,
    largest_share,
    layer_strains,
    pressed,
)
from fem.section_model.summary import Estimate, section_problem, section_summary

_LONG_STRAIN = 0.1
"""Above this strain a linear material law is out of its range (common practice, no source)."""


@dataclass(frozen=True)
class Place:
    """One characteristic station [mm]: middle of a straight (bend 0) or of a bend; worst strains there.

    coil_radius [mm]: mid-plane radius at which the station lies in a tight coil; energy [N]: per length of
    that coil, edges free.
    """

    bend: int
    station: float
    problem: SectionProblem
    coil_radius: float
    energy: float
    flat: LayerStrain
    coiled: LayerStrain

    @property
    def name(self) -> str:
        """In words."""
        return f"{f'bend {self.bend}' if self.bend else 'straight'}, {self.station:.4g} mm from the root"


@dataclass(frozen=True)
class Derived:
    """Derived numbers of a case.

    quantities: of the case; section: of its most hollow straight section; bends: plain values of each bend;
    remarks: sentences to act on.
    """

    quantities: Mapping[str, Estimate]
    section: Mapping[str, Estimate]
    section_station: float
    bends: tuple[dict[str, float], ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class CoilEstimate:
    """A tight spiral: outer radius [mm], turns, and turns once it has swollen to the casing."""

    outer: float
    turns: float
    turns_swollen: float


def tight_coil(case: Case, wound: float) -> CoilEstimate:
    """Spiral of `wound` mm on the axle: pi (outer^2 - inner^2) = wound * thickness."""
    thickness, inner = case.strip.thickness, case.axle.radius
    area = wound * thickness / math.pi
    outer = math.sqrt(inner**2 + area)
    hollow = math.sqrt(max(0.0, case.casing.radius**2 - area))
    return CoilEstimate(outer, (outer - inner) / thickness, (case.casing.radius - hollow) / thickness)


def characteristic_places(case: Case) -> list[Place]:
    """Middle of every bend and of every stretch between bends, cut where layers start and end."""
    strip, axle = case.strip, case.axle
    edges = {0.0, strip.length, *(float(s) for s in strip.zone_edges_s())}
    edges |= {end for mark in strip.path.bends for end in (mark.start, mark.end)}
    cuts = sorted(edges)
    places = []
    for start, end in pairwise(cuts):
        middle = 0.5 * (start + end)
        bend = next((mark.index for mark in strip.path.bends if mark.start <= middle <= mark.end), 0)
        problem = section_problem(strip, middle)
        radius = math.sqrt(axle.radius**2 + middle * strip.thickness / math.pi) + 0.5 * strip.thickness
        wound = pressed(problem, 1.0 / radius)
        flat = largest_share(flattening_strain(problem))
        places.append(
            Place(
                bend,
                middle,
                problem,
                radius,
                free_coil(problem, radius).energy,
                flat,
                largest_share(layer_strains(problem, wound.strains)),
            )
        )
    return places


def derive(case: Case) -> Derived:
    """All derived numbers of a case."""
    places = characteristic_places(case)
    straight = [place for place in places if not place.bend] or places
    chosen = max(straight, key=lambda place: abs(place.problem.mean_section_curvature()))
    summary = section_summary(chosen.problem, case.axle.radius)
    quantities = _sizes(case) | _strains(places)
    quantities["tip_stiffness_N_per_mm"] = Estimate(
        3.0 * summary.curve.initial_stiffness / case.free_length**3,
        "N/mm",
        "3 EI / L^3 of the free length, as a straight cantilever",
    )
    if isinstance(case.push, Winding):
        coil, torque = (
            tight_coil(case, case.travel),
            max(place.energy * place.coil_radius for place in places),
        )
        quantities |= _coil_numbers(case, coil) | _motor_numbers(case, coil, torque)
    return Derived(
        quantities,
        summary.quantities,
        chosen.station,
        tuple(_bend_numbers(case, places)),
        tuple(_remarks(case, places)),
    )


def _sizes(case: Case) -> dict[str, Estimate]:
    strip = case.strip
    s = np.linspace(0.0, strip.length, 401)
    q = np.linspace(-0.5, 0.5, 41)[None, :] * strip.width_at(s)[:, None]
    per_length = np.trapezoid(strip.mass_per_area(s[:, None], q), q, axis=1)
    return {
        "length_mm": Estimate(strip.length, "mm"),
        "width_mm": Estimate(strip.width, "mm"),
        "thickness_mm": Estimate(strip.thickness, "mm"),
        "mass_g": Estimate(float(np.trapezoid(per_length, s)) * 1e6, "g"),
        "free_length_mm": Estimate(case.free_length, "mm", "strip outside the slot when it is out"),
    }


def _coil_numbers(case: Case, wound: CoilEstimate) -> dict[str, Estimate]:
    slack = 2.0 * math.pi * (wound.turns - wound.turns_swollen)
    return {
        "travel_mm": Estimate(case.travel, "mm", "strip wound in through the slot"),
        "coil_turns": Estimate(wound.turns, "", "wound tightly"),
        "coil_outer_radius_mm": Estimate(wound.outer, "mm", "wound tightly"),
        "casing_clearance_mm": Estimate(
            case.casing.radius - wound.outer, "mm", "between tight coil and casing"
        ),
        "reversal_slack_rad": Estimate(
            slack, "rad", "turn of the axle that only swells the coil before strip moves out"
        ),
    }


def _strains(places: list[Place]) -> dict[str, Estimate]:
    found = {}
    for state, worst in (
        ("pressed_flat", max(places, key=lambda p: p.flat.share)),
        ("wound_up", max(places, key=lambda p: p.coiled.share)),
    ):
        strain = worst.flat if state == "pressed_flat" else worst.coiled
        where = f"{worst.name}, layer {strain.layer + 1} ({strain.material})"
        found[f"strain_{state}_along"] = Estimate(strain.along, "")
        found[f"strain_{state}_across"] = Estimate(strain.across, "")
        found[f"strain_{state}_share"] = Estimate(strain.share, "", f"of the material's limit; {where}")
    return found


def _motor_numbers(case: Case, wound: CoilEstimate, torque: float) -> dict[str, Estimate]:
    found = {
        "retract_torque_least_Nmm": Estimate(torque, "N mm", "at the axle, without friction: a lower bound"),
    }
    motor = case.motor
    if motor is not None:
        turn = 2.0 * math.pi * wound.turns
        speed = float(motor.speed_under(torque))
        found |= {
            "motor_stall_torque_at_axle_Nmm": Estimate(motor.axle_stall_torque, "N mm"),
            "motor_no_load_speed_at_axle_rad_per_s": Estimate(motor.axle_no_load_speed, "rad/s"),
            "motor_margin": Estimate(
                float(motor.margin(torque)), "", "stall torque left over the least retract torque"
            ),
            "retract_time_least_s": Estimate(
                turn / speed if speed > 0.0 else math.inf, "s", "at that torque throughout"
            ),
        }
    return found


def _bend_numbers(case: Case, places: list[Place]) -> list[dict[str, float]]:
    found = []
    for mark in case.strip.path.bends:
        numbers = {
            "bend": mark.index,
            "start_mm": mark.start,
            "end_mm": mark.end,
            "angle_deg": math.degrees(mark.angle),
            "radius_mm": mark.radius,
        }
        here = [place for place in places if place.bend == mark.index]
        if here:
            numbers["flattened_share"] = max(place.flat.share for place in here)
            numbers["coiled_share"] = max(place.coiled.share for place in here)
            numbers["coil_torque_Nmm"] = max(place.energy * place.coil_radius for place in here)
        found.append(numbers)
    return found


def _remarks(case: Case, places: list[Place]) -> list[str]:
    """Sentences on what the numbers already say against the design."""
    remarks = cautions(case)
    worst = max(places, key=lambda place: place.coiled.share)
    if worst.coiled.share > 1.0:
        remarks.append(
            f"Wound up, the strip is strained to {worst.coiled.share:.2f} times the elastic limit of "
            f"{worst.coiled.material} ({worst.name}): expect set or breakage; use a larger axle, a "
            "thinner strip or a "
            "shallower section."
        )
    largest = max(max(abs(place.coiled.along), abs(place.coiled.across)) for place in places)
    if largest > _LONG_STRAIN:
        remarks.append(
            f"Strain reaches {largest:.2f} when wound up, where a linear material law is out of its range."
        )
    if isinstance(case.push, Winding):
        remarks += _fit_remarks(case, tight_coil(case, case.travel))
        remarks += _motor_remarks(case, max(place.energy * place.coil_radius for place in places))
    return remarks


def _fit_remarks(case: Case, coil: CoilEstimate) -> list[str]:
    clearance = case.casing.radius - coil.outer
    if clearance >= case.strip.thickness:
        return []
    return [
        f"The tight coil leaves {clearance:.2g} mm to the casing, less than the strip's thickness: it "
        "will rub all round; "
        "use a larger casing or retract less."
    ]


def _motor_remarks(case: Case, torque: float) -> list[str]:
    if case.motor is None:
        return ["The case has no [motor]: torque is reported, but not whether a motor has it."]
    if case.motor.margin(torque) >= 0.0:
        return []
    return [
        f"The motor stalls: the axle gets {case.motor.axle_stall_torque:.3g} N mm, winding needs at least "
        f"{torque:.3g} N mm; "
        "use a larger gear ratio or motor, or a softer strip."
    ]
