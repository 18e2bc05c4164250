"""The strip when it is out, held by axle and slot: how well it keeps to its intended path, and what its own
weight does to it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.results.result import Quantity
from fem.simulation.strip_model import StripModel, contacts

STATIONS = 121
SETTLING, SETTLING_TIME = 4, 200.0


@dataclass(frozen=True)
class DeployedShape:
    """How the strip lies when it is out.

    error, weighed [mm]: largest distance of a station outside the slot from its intended place, without and
    with its own weight; station, station_weighed [mm]: where; sag [mm]: how far the weight moves the tip
    along gravity. trouble: why the state with weight is not known ("" if it is).
    """

    error: float
    station: float
    weighed: float
    station_weighed: float
    sag: float
    trouble: str = ""

    def sentence(self) -> str:
        """The same in words."""
        text = f"Out, it stands {self.error:.2g} mm off its intended path"
        if self.trouble:
            return f"{text}; with its weight {self.trouble}."
        return f"{text}, {self.weighed:.2g} mm with its own weight, which moves the tip {self.sag:.2g} mm."

    def quantities(self) -> dict[str, Quantity]:
        """The same for a result."""
        at = "distance from the intended path, largest {:.3g} mm from the root; {}"
        weighed = self.trouble or at.format(self.station_weighed, "with its own weight")
        return {
            "shape_error_mm": Quantity(self.error, "mm", at.format(self.station, "weight left out")),
            "shape_error_weighed_mm": Quantity(self.weighed, "mm", weighed),
            "tip_sag_mm": Quantity(self.sag, "mm", self.trouble or "what its own weight moves the tip"),
        }


def settled_shape(model: StripModel, case: Case, u: Array) -> tuple[Array, DeployedShape] | str:
    """The state at rest near u of a model without weight, with weight if the case says so, and how the strip
    lies; or why it does not.

    Friction is forgotten while it settles, as while it is put in place.
    """
    motion = model.motion
    light, trouble = _settled(model, u)
    if trouble:
        return f"the strip could not be brought to rest: {trouble}"
    gravity = np.array(replace(case.weight, acts=True).acceleration())
    weight = model.weight(gravity)
    motion.add(weight)
    heavy, trouble = _settled(model, light)
    if trouble and case.weight.acts:
        return f"the strip could not be brought to rest under its weight: {trouble}"
    if not case.weight.acts:
        motion.remove(weight)
        for contact in contacts(model):
            contact.start(light)
    s = np.linspace(case.slot_mouth, case.strip.length, STATIONS)
    aim = intended(case, s)
    off, off_heavy = (np.linalg.norm(model.places(state, s) - aim, axis=1) for state in (light, heavy))
    down = np.array([math.cos(case.weight.direction), math.sin(case.weight.direction)])
    moved = model.places(heavy, s)[-1] - model.places(light, s)[-1]
    worst, worst_heavy = int(np.argmax(off)), int(np.argmax(off_heavy))
    weighed, sag = (math.nan, math.nan) if trouble else (float(off_heavy[worst_heavy]), float(moved @ down))
    shape = DeployedShape(
        float(off[worst]), float(s[worst]), weighed, float(s[worst_heavy]), sag,
        f"not converged under its weight: {trouble}" if trouble else "",
    )  # fmt: skip
    return (heavy if case.weight.acts else light), shape


def intended(case: Case, stations: Array) -> Array:
    """Places (n, 2) [mm] of the rest path, in place."""
    return np.asarray(case.strip.path.position(stations) + np.array([0.0, case.root_level]))


def _settled(model: StripModel, u: Array) -> tuple[Array, str]:
    for _ in range(SETTLING):
        outcome = model.motion.step(u, np.zeros_like(u), SETTLING_TIME, u)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
        for contact in contacts(model):
            contact.start(u)
    return u, ""
