"""The strip where it works, held by axle and slot: how well it keeps to its intended path, and what its own
weight does to it.

Rod and shell hand over the same things: motion, contacts, the weight as a term, places of the mid-line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array, Term
from fem.results.outcome import Status
from fem.results.result import Quantity
from fem.solvers.implicit_dynamics import Motion

STATIONS = 121
SETTLING, SETTLING_TIME = 4, 200.0
PRESS_NAMES = {"stiffness_start": "stiffness_N_per_mm", "force_peak_N": "snap_load_N"}
"""What the numbers of a bench push are called when the strip is pressed at a station."""


class Touching(Protocol):
    """A contact that can forget its friction."""

    def start(self, u: Array) -> None: ...


@dataclass(frozen=True)
class Standing:
    """How the strip stands when it is out.

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
        """How it stands, in words."""
        told = f"Out, it stands {self.error:.2g} mm off its intended path"
        if self.trouble:
            return f"{told}; with its weight {self.trouble}."
        return f"{told}, {self.weighed:.2g} mm with its own weight, which moves the tip {self.sag:.2g} mm."

    def quantities(self) -> dict[str, Quantity]:
        """The same for a result."""
        at = "distance from the intended path, largest {:.3g} mm from the root; {}"
        weighed = self.trouble or at.format(self.station_weighed, "with its own weight")
        return {
            "shape_error_mm": Quantity(self.error, "mm", at.format(self.station, "weight left out")),
            "shape_error_weighed_mm": Quantity(self.weighed, "mm", weighed),
            "tip_sag_mm": Quantity(self.sag, "mm", self.trouble or "what its own weight moves the tip"),
        }


def critical_force(word: Status, loads: Array, peak: int | None) -> Quantity:
    """What a column carries before it buckles: word is how it ended, loads (n,) [N] its path, peak the row
    after which they fell, None if they never did.
    """
    if word != Status.BUCKLED:
        return Quantity(
            math.nan, "N", "did not buckle as far as it was pushed" if word == Status.HELD else word
        )
    if peak is None:
        return Quantity(float(loads.max()), "N", "largest push: it gives way smoothly")
    return Quantity(float(loads[peak]), "N", "push at which it gives way")


@dataclass(frozen=True)
class Scene:
    """A strip put in place: motion, contacts, weight [N] as a term that does not act yet, and places
    (n, 2) [mm] of the mid-line at stations (n,) in a state.
    """

    case: Case
    motion: Motion
    contacts: Sequence[Touching]
    weight: Term
    places: Callable[[Array, Array], Array]


def stand(scene: Scene, u: Array) -> tuple[Array, Standing] | str:
    """The state at rest near u, with weight if the case says so, and how the strip stands; or why it does
    not.

    Friction is forgotten while it settles, as while it is put in place. Raises nothing.
    """
    case, motion = scene.case, scene.motion
    light, trouble = _settled(scene, u)
    if trouble:
        return f"the strip could not be brought to rest: {trouble}"
    motion.add(scene.weight)
    heavy, trouble = _settled(scene, light)
    if trouble and case.weight.acts:
        return f"the strip could not be brought to rest under its weight: {trouble}"
    if not case.weight.acts:
        motion.remove(scene.weight)
        for contact in scene.contacts:
            contact.start(light)
    s = np.linspace(case.slot_mouth, case.strip.length, STATIONS)
    aim = intended(case, s)
    off, off_heavy = (np.linalg.norm(scene.places(state, s) - aim, axis=1) for state in (light, heavy))
    down = np.array([math.cos(case.weight.direction), math.sin(case.weight.direction)])
    moved = scene.places(heavy, s)[-1] - scene.places(light, s)[-1]
    worst, worst_heavy = int(np.argmax(off)), int(np.argmax(off_heavy))
    weighed, sag = (math.nan, math.nan) if trouble else (float(off_heavy[worst_heavy]), float(moved @ down))
    standing = Standing(
        float(off[worst]), float(s[worst]), weighed, float(s[worst_heavy]), sag,
        f"not converged under its weight: {trouble}" if trouble else "",
    )  # fmt: skip
    return (heavy if case.weight.acts else light), standing


def intended(case: Case, stations: Array) -> Array:
    """Places (n, 2) [mm] of the rest path, in place."""
    return np.asarray(case.strip.path.position(stations) + np.array([0.0, case.root_level]))


def _settled(scene: Scene, u: Array) -> tuple[Array, str]:
    for _ in range(SETTLING):
        outcome = scene.motion.step(u, np.zeros_like(u), SETTLING_TIME, u)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
        for contact in scene.contacts:
            contact.start(u)
    return u, ""
