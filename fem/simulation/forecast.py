"""What a run will take before it is made: unknowns, points, steps, processor time and memory.

Numbers of elements and points follow from the case as the models divide it. How often a step iterates, and
what an iteration takes, are stored constants, fitted to runs on one machine (`tests/speed/forecast.py` runs
cases and tells how far off they are). They are those of the common run, in which every step goes through at
the first or second try: a strip that jams, snaps or is computed again with finer settings takes longer, so
the forecast is no bound. Memory follows from what is kept and is told more closely; a case that would take
more than MOST_MEMORY is refused.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fem.case.definition import Case
from fem.case.estimate import Derived, derive, tight_coil
from fem.contact.surroundings import ONSET, split, surrounding_walls
from fem.core.errors import CaseError, Fault
from fem.design.loading import Bend, Coil, RetractDeploy, Winding
from fem.design.settings import Settings
from fem.mesh.line_mesh import SizeField
from fem.mesh.size_fields import size_field
from fem.rod.section_tables import LINES, field_count
from fem.section_model.summary import Estimate

MOST_MEMORY = 2048.0
"""MB that a run may take."""
STEPS, LARGEST_TURN, SAVE_EVERY = 60, 0.15, 2.0
"""Of `slow_drive` and `retract_deploy`, which load all that a run needs; `check` has to answer at once."""
BASE = 260.0
"""MB of the program with its libraries and compiled loops."""
SAMPLES = 2000
LARGEST_TIMES, CLOSE = 1e12, 1.1
"""How many times a setting is made larger at most, and how closely the least that will do is found."""


@dataclass(frozen=True)
class Sizes:
    """How large a computation is.

    lines: of nodes along the strip; line: unknowns on one; joined: lines that share a block with one, those
    of the wraps beside it among them; fine, coarse: points that touch walls and wraps, all lines across;
    walls; steps and iterations in all; saved: states that are kept whole on the way in.
    """

    lines: float
    line: int
    joined: float
    fine: float
    coarse: float
    walls: int
    steps: float
    iterations: float
    saved: float

    @property
    def unknowns(self) -> float:
        """Unknowns in all."""
        return self.lines * self.line


@dataclass(frozen=True)
class Costs:
    """What a model takes. Bytes: per point and wall that it touches, per point, per unknown, per row beside
    its state, per place of the matrix. Seconds: to begin, per row; of an iteration per point, per unknown and
    per place of the factors.
    """

    wall_bytes: float
    point_bytes: float
    unknown_bytes: float
    row_bytes: float
    place_bytes: float
    start: float
    row: float
    point: float
    unknown: float
    place: float


COSTS = {
    "rod": Costs(60.0, 2000.0, 3000.0, 12e3, 40.0, 0.8, 6e-3, 1.8e-7, 7e-7, 2e-12),
    "shell": Costs(120.0, 800.0, 3500.0, 25e3, 30.0, 3.0, 12e-3, 4e-7, 2.5e-6, 1e-12),
}
PLACING = 150.0
"""Iterations until a strip is in place."""
SMOOTH, ROOM, RISE = 30.0, 10.0, 8.0
"""Iterations per radian of the axle: at least, per thickness of room between axle and casing, in which wraps
come to lie and lift off, and per thickness of the section's rise, which the lips flatten.
"""
MORE_ROOM, MORE_RISE = 0.03, 0.02
"""The same for the steps, over those of the longest turn."""
SEARCHED = 1.6
"""Times that the rod takes longer where the safe travel may have to be looked for: two to three where the
strip jams, one where it comes out. The shell does not look for it.
"""
BENCH_ITERATIONS = 8.0
"""Per step of a push on the bench."""


@dataclass(frozen=True)
class Forecast:
    """What a run of a case with a model will take: processor time [s], most memory [MB]."""

    model: str
    sizes: Sizes
    seconds: float
    memory: float

    def quantities(self) -> dict[str, Estimate]:
        """The same for a table."""
        size = self.sizes
        large = f"{size.unknowns:.0f} unknowns, {size.fine + size.coarse:.0f} points, {size.steps:.0f} steps"
        return {
            f"run_{self.model}_s": Estimate(
                self.seconds, "s", f"processor time, within a factor of two mostly; {large}"
            ),
            f"run_{self.model}_memory_MB": Estimate(self.memory, "MB", "at most, pictures left out"),
        }


def forecast(case: Case, model: str = "rod") -> Forecast:
    """What a run of a case with the "rod" or "shell" will take."""
    sizes = rod_sizes(case) if model == "rod" else shell_sizes(case)
    return Forecast(model, sizes, seconds(sizes, COSTS[model]), memory(sizes, COSTS[model]))


def foreseen(case: Case) -> Derived:
    """What follows from the numbers of a case, and what its run will take. Raises CaseError where that is too
    much.
    """
    refuse_too_large(case)
    known = derive(case)
    return replace(known, quantities={**known.quantities, **forecast(case).quantities()})


def refuse_too_large(case: Case, model: str = "rod") -> None:
    """Raise CaseError for a case that would take more than MOST_MEMORY with a model, with the setting that
    asks for it and one that would do.
    """
    made = forecast(case, model)
    if made.memory <= MOST_MEMORY:
        return
    least = {key: forecast(_with(case, change, 1e3), model).memory for key, change in LARGER.items()}
    key = next(key for key in LARGER if least[key] <= 1.1 * min(least.values()))
    times = _enough(lambda times: forecast(_with(case, LARGER[key], times), model).memory < MOST_MEMORY)
    value = getattr(LARGER[key](case.settings, times), key)
    told, unit = (math.degrees(value), "degrees") if key == "turn" else (value, "mm")
    size = made.sizes
    message = (
        f"the {model} would take about {made.memory:.3g} MB of memory, more than {MOST_MEMORY:.0f} MB: "
        f"{size.unknowns:.3g} unknowns, {size.fine + size.coarse:.3g} points that can touch, "
        f"{size.steps:.3g} steps; write {_rounded_up(told):g} {unit} or more"
    )
    raise CaseError((Fault(case.name, f"solver.{key}", message),))


def _enough(fits: Callable[[float], bool]) -> float:
    """How many times a setting must be larger to fit, by bisection; LARGEST_TIMES where nothing does."""
    low, high = 1.0, LARGEST_TIMES
    while fits(high) and high > CLOSE * low:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


def _all_elements(used: Settings, times: float) -> Settings:
    return replace(used, element=times * used.element, element_fine=times * used.element_fine)


LARGER: dict[str, Callable[[Settings, float], Settings]] = {
    "contact_spacing": lambda used, times: replace(used, contact_spacing=times * used.contact_spacing),
    "turn": lambda used, times: replace(used, turn=min(0.5 * math.pi, times * used.turn)),
    "element_fine": lambda used, times: replace(
        used, element_fine=min(used.element, times * used.element_fine)
    ),
    "element": _all_elements,
}
"""Settings that take less memory when they are larger by so many times."""


def _with(case: Case, change: Callable[[Settings, float], Settings], times: float) -> Case:
    return replace(case, settings=change(case.settings, times))


def _rounded_up(value: float) -> float:
    """Two digits, not below the value."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / unit - 1e-9) * unit


def rod_sizes(case: Case) -> Sizes:
    """How large the rod of a case is."""
    strip, field = case.strip, size_field(case, 1.0)
    lines = _pieces(field, strip.length) + 1.0
    line = 2 * field_count(strip)
    searched = isinstance(case.push, RetractDeploy) and case.push.safe_travel and case.motor is not None
    return _sizes(case, lines, line, LINES, SEARCHED if searched else 1.0)


def shell_sizes(case: Case) -> Sizes:
    """How large the shell of a case is, wound."""
    from fem.shell.model import case_mesh

    strip, mesh = case.strip, case_mesh(case)
    field = SizeField(mesh.along or case.settings.element, mesh.zones)
    lines = _pieces(field, strip.length) + 1.0
    across = (mesh.across or 6) // (2 if mesh.half else 1)
    return _sizes(case, lines, 12 * (across + 1), 2 * across + 1, 1.0)


def _pieces(field: SizeField, length: float) -> float:
    """How many elements a size field asks for."""
    s = np.linspace(0.0, length, SAMPLES)
    return float(np.trapezoid(1.0 / field.at(s), s))


def _sizes(case: Case, lines: float, line: int, across: int, longer: float) -> Sizes:
    """Sizes with points on so many lines across; longer: how many times the steps of once in and out."""
    st, strip = case.settings, case.strip
    once, iterated, saved = _steps(case)
    steps, iterations = longer * once, longer * iterated
    if not case.surrounded:
        return Sizes(lines, line, 3.0, 0.0, 0.0, 0, steps, iterations, saved)
    around = surrounding_walls(case, 0.0)
    near = split(around, st.contact_spacing, st.contact_onset or ONSET * strip.thickness)
    fine = near * across * max(2.0 * lines, strip.length / st.contact_spacing + 0.5 * lines)
    coarse = across * max(2.0 * lines, 0.5 * strip.length / st.contact_spacing + 0.5 * lines)
    joined = 3.0 + (3.0 * tight_coil(case, case.travel).turns if st.wraps_touch else 0.0)
    return Sizes(
        lines, line, min(lines, joined), fine, coarse if st.wraps_touch else 0.0, len(around), steps,
        iterations, saved,
    )  # fmt: skip


def _steps(case: Case) -> tuple[float, float, float]:
    """Steps and iterations in all, states saved whole."""
    push, strip = case.push, case.strip
    if not isinstance(push, Winding):
        angle = push.angle if isinstance(push, Bend) else 0.0
        angle = strip.length / push.radius if isinstance(push, Coil) else angle
        steps = 1.1 * max(float(STEPS), abs(angle) / LARGEST_TURN)
        return steps, PLACING + BENCH_ITERATIONS * steps, 0.0
    ways = 1.0 if push.kind == "retract" else 2.0
    coil = tight_coil(case, case.travel)
    turning = ways * 2.0 * math.pi * max(0.25, 0.5 * (coil.turns + coil.turns_swollen))
    room = (case.casing.radius - case.axle.radius) / strip.thickness
    rise = 0.25 * strip.width * strip.edge_angle / strip.thickness
    steps = turning / case.settings.turn * (1.0 + MORE_ROOM * room + MORE_RISE * rise)
    iterations = PLACING + turning * (SMOOTH + ROOM * room + RISE * rise)
    return steps, iterations, case.travel / SAVE_EVERY + 4.0


def memory(sizes: Sizes, cost: Costs) -> float:
    """Most memory [MB] that a computation of these sizes takes with a model."""
    points = sizes.fine * (cost.point_bytes + cost.wall_bytes * sizes.walls) + sizes.coarse * cost.point_bytes
    matrix = cost.place_bytes * sizes.lines * sizes.joined * sizes.line**2 + 3.0 * sizes.lines**2
    rows = sizes.steps * (8.0 * sizes.unknowns + cost.row_bytes)
    saved = sizes.saved * (40.0 * sizes.unknowns + 60.0 * sizes.coarse)
    return BASE + 1e-6 * (points + matrix + rows + saved + cost.unknown_bytes * sizes.unknowns)


def seconds(sizes: Sizes, cost: Costs) -> float:
    """Processor time [s] that a computation of these sizes takes with a model."""
    places = sizes.unknowns * (sizes.joined * sizes.line) ** 2
    one = cost.point * (sizes.fine + sizes.coarse) + cost.unknown * sizes.unknowns + cost.place * places
    return cost.start + sizes.steps * cost.row + sizes.iterations * one
