"""Pushes on the bench with the shell: bend, coil, column and press of a case, judged like those of the rod.

The root is pressed flat and held as on the axle (in a clamped column both ends are; the turning grip of a
bend and pinned ends keep their section's rest shape, the ends of a coil stay plane and may flatten), then the
push is driven through stable states at rest. Axle, casing, slot and obstacles are not there: a test bench
touches the strip with its grips only, and the result says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.loading import Bend, Coil, Column, Press
from fem.design.settings import Settings
from fem.mesh.line_mesh import Zone
from fem.results.result import Quantity, Result
from fem.results.snapshot import Snapshot
from fem.shell.loads import weight
from fem.shell.state import ShellState, strip_state
from fem.shell.static_drive import Trial, TrialSettings, flattened
from fem.shell.strip_shell import StripMesh, StripShell, strip_shell
from fem.shell.trials import PressAt, bend, chord, coil, column, press
from fem.simulation.deployed_shape import PRESS_NAMES, critical_force

STEPS = 40
LARGEST_TURN = 0.15  # rad per step of a coil of many turns
FIRST_PARTS = 5
COARSE_FOLD = 0.6  # rad per element: a full circle on ten elements is still right to 0.1 %
COIL_ELEMENT = 0.4  # largest element of a coil, as a share of its radius
TOO_SOFT = 0.5  # move over the length to the station at which a pressed strip no longer holds anything
PUSH_PHASE = 3
GIVES_WAY = 0.05  # fall of the load, as a share of its peak, that counts as giving way
Progress = Callable[[float, str], None]
Push = Bend | Coil | Column | Press
NAMES = {
    Bend: ("turn_rad", "moment_Nmm"),
    Coil: ("turn_rad", "moment_Nmm"),
    Column: ("shortening_mm", "force_N"),
    Press: ("pressed_mm", "force_N"),
}


@dataclass(frozen=True)
class _Course:
    """A finished bench push: trial (or why there is none), driven value and load at each step, their
    names.
    """

    model: StripShell
    trial: Trial | None
    trouble: str
    control: Array
    load: Array
    control_name: str
    load_name: str

    @property
    def unit(self) -> str:
        """Unit of the load."""
        return "N" if self.load_name.endswith("_N") else "N mm"

    @property
    def way(self) -> str:
        """Unit of the driven value."""
        return {"turn_rad": "rad", "shortening_mm": "mm", "pressed_mm": "mm"}[self.control_name]

    @property
    def peak(self) -> int | None:
        """Step of the first load that later falls by more than GIVES_WAY, or after which the strip
        snapped.
        """
        size = np.abs(self.load)
        for i in range(1, size.size):
            best = int(np.argmax(size[: i + 1]))
            if size[i] < (1.0 - GIVES_WAY) * size[best]:
                return best
        if self.trial is not None and self.trial.snaps:
            level = abs(self.trial.snaps[0].level)
            return max(0, int(np.searchsorted(np.abs(self.trial.drive), level)) - 1)
        return None


def run_shell_bench(case: Case, tell: Progress, began: float, provenance: Mapping[str, Any]) -> Result:
    """Run a bend, coil, column or press in the air and judge it. Raises InputError for a push by the axle,
    and for a mesh too coarse for the section.
    """
    push = case.push
    if not isinstance(push, Bend | Coil | Column | Press):
        raise InputError(f"the bench does not turn the axle: a push {push.kind!r} is none of its tests")
    part = {Coil: "station", Column: "free_length"}.get(type(push))
    end = getattr(push, part) if part else None
    if end is not None and end < case.strip.length * (1.0 - 1e-9):
        case = replace(case, strip=case.strip.up_to(end))
    model = strip_shell(case.strip, _mesh(case, push))
    settings = TrialSettings()
    if case.weight.acts:
        settings = replace(
            settings, dead=(weight(model.shell, np.array([*case.weight.acceleration(), 0.0])),)
        )
    start: Array | str = model.shell.rest.ravel()
    lines = _flat_lines(model, push)
    if lines:
        tell(0.05, "pressing the root flat")
        start = flattened(model, lines, settings)
    if isinstance(start, str):
        course = _Course(model, None, start, np.zeros(0), np.zeros(0), *NAMES[type(push)])
    else:
        course = _push(model, push, settings, start, tell)
    return _result(case, course, began, provenance)


def _flat_lines(model: StripShell, push: Push) -> tuple[int, ...]:
    """Lines of nodes to press flat before the grips close."""
    if isinstance(push, Coil):
        return ()
    if isinstance(push, Column):
        return (0, model.shell.grid.stations.size - 1) if push.ends == "clamped" else ()
    return (0,)


def _mesh(case: Case, push: Push) -> StripMesh:
    strip = case.strip
    zones = [
        Zone(mark.start, mark.end, min(case.settings.element, 0.2 * abs(mark.radius)))
        for mark in strip.path.bends
    ]
    # a fifth of the width will do; smaller elements than the usual divide it in proportion
    finer = min(1.0, case.settings.element / Settings().element)
    largest = max(case.settings.element, strip.width / 5.0 * finer)
    if isinstance(push, Coil):
        largest = min(largest, COIL_ELEMENT * push.radius)
    nodes = (push.station,) if isinstance(push, Bend | Press) and push.station is not None else ()
    # a strip wound in the air by more than a turn swings out of its plane, which an axle would not let it
    return StripMesh(largest, tuple(zones), half=isinstance(push, Coil), nodes=nodes)


def _push(model: StripShell, push: Push, settings: TrialSettings, start: Array, tell: Progress) -> _Course:
    control_name, load_name = NAMES[type(push)]
    share = _shares(STEPS)
    if isinstance(push, Bend):
        told = replace(settings, sections=push.grip, told=_teller(tell, push.angle, "turned {:.3f} rad"))
        trial = bend(model, push.angle * share, told, push.station, start)
        control, load = trial.drive, trial.moment
    elif isinstance(push, Coil):
        length = model.strip.length
        angle = push.turn(length, float(model.strip.path.heading(length)))
        count = max(STEPS, int(np.ceil(abs(angle) / LARGEST_TURN)))
        told = replace(settings, told=_teller(tell, angle, "wound {:.3f} rad"))
        trial = coil(model, angle * _shares(count), told)
        control, load = trial.drive, trial.moment
    elif isinstance(push, Column):
        told = replace(settings, told=_teller(tell, push.shortening, "shortened {:.3f} mm"))
        trial = column(
            model, push.shortening * np.linspace(0.0, 1.0, STEPS + 1)[1:] ** 2, told, push.ends, start
        )
        control, load = trial.drive, trial.force @ chord(model, start)
    else:
        told = replace(settings, told=_teller(tell, push.force, "pressed with {:.3f} N"))
        trial = press(model, push.force * share, PressAt(push.direction, push.station), told, start)
        at = np.array([[model.strip.length if push.station is None else push.station, 0.0]])
        way = np.array([np.cos(push.direction), np.sin(push.direction), 0.0])
        origin = model.shell.position(start, at)[0]
        control = np.array([(model.shell.position(x, at)[0] - origin) @ way for x in trial.states])
        load = trial.drive
    return _Course(model, trial, _trouble(trial), control, load, control_name, load_name)


def _shares(count: int) -> Array:
    """Levels from 0 to 1, the first step in FIRST_PARTS: a strip is stiffest, and may give way, right there.

    A column has its levels closer still.
    """
    first = np.linspace(0.0, 1.0 / count, FIRST_PARTS + 1)[1:-1]
    return np.concatenate([first, np.linspace(0.0, 1.0, count + 1)[1:]])


def _trouble(trial: Trial) -> str:
    return "" if trial.finished else trial.message


def _teller(tell: Progress, target: float, text: str) -> Callable[[float], None]:
    def told(level: float) -> None:
        tell(min(1.0, abs(level / target)), text.format(level))

    return told


def _result(case: Case, course: _Course, began: float, provenance: Mapping[str, Any]) -> Result:
    states = [] if course.trial is None else [strip_state(course.model, x) for x in course.trial.states]
    numbers = _numbers(course, states)
    word = _status(case, course)
    if isinstance(case.push, Column):
        numbers["critical_force_N"] = critical_force(word, np.abs(course.load), course.peak)
    lost = sum(snap.lost for snap in course.trial.snaps) if course.trial else 0.0
    warnings = ["axle, casing, slot and obstacles are left out: on the bench the grips alone hold the shell"]
    if isinstance(case.push, Coil) and states and abs(course.control[-1]) > 2.0 * np.pi:
        warnings.append("more than one turn without contact: the wraps lie in one another")
    if states and max(float(state.strain_share.max()) for state in states) > 1.0:
        warnings.append("strain passes a material's limit: the linear law is out of its range there")
    turn = max((_turned(state) for state in states), default=0.0)
    if turn > COARSE_FOLD:
        warnings.append(
            f"one element turns by {np.degrees(turn):.0f} degrees where the strip folds: set solver.element "
            f"to {case.settings.element * 0.7 * COARSE_FOLD / turn:.2g} mm and compare"
        )
    if course.model.warning:
        warnings.append(course.model.warning)
    audit = {"lost_in_snaps_Nmm": lost, **({"closure_error": _closure(course, lost)} if course.trial else {})}
    return Result(
        case_name=case.name,
        title=case.title,
        model="shell",
        status=word,
        sentence=_sentence(word, numbers, course),
        quantities=numbers,
        jam=None,
        bends=(),
        energy_audit=audit,
        seconds=time.perf_counter() - began,
        path=_path(course, states),
        snapshots=_snapshots(course, states),
        warnings=tuple(warnings),
        provenance=provenance,
    )


def _turned(state: ShellState) -> float:
    """Largest angle [rad] by which the mid-line bends within one element."""
    sizes = np.diff(state.station)
    return float(np.max(np.abs(state.curvature) * np.maximum(np.append(sizes, 0.0), np.append(0.0, sizes))))


def _closure(course: _Course, lost: float) -> float:
    """|work done - energy gained - energy lost in snaps| over the work; the work by the trapezoidal rule."""
    trial = course.trial
    if trial is None or course.control.size < 2:
        return 0.0
    control, load = np.append(0.0, course.control), np.append(0.0, course.load)
    work = float(np.sum(0.5 * (load[1:] + load[:-1]) * np.diff(control)))
    scale = float(np.sum(np.abs(0.5 * (load[1:] + load[:-1]) * np.diff(control))))
    first = trial.energy[0] - 0.5 * course.load[0] * course.control[0]
    return float(abs(work - (float(trial.energy[-1]) - first) - lost) / max(scale, 1e-300))


def _path(course: _Course, states: list[ShellState]) -> dict[str, Array]:
    rows = []
    for k, state in enumerate(states):
        assert course.trial is not None
        bent = np.abs(state.curvature)
        peak, worst = int(np.argmax(bent)), int(np.argmax(state.strain_share.max(axis=1)))
        rows.append(
            {
                "step": float(k),
                "phase": float(PUSH_PHASE),
                course.control_name: float(course.control[k]),
                course.load_name: float(course.load[k]),
                "tip_x_mm": float(state.position[-1, 0]),
                "tip_y_mm": float(state.position[-1, 1]),
                "curvature_peak_per_mm": float(bent[peak]),
                "curvature_peak_station_mm": float(state.station[peak]),
                "strain_peak": float(state.strain.max()),
                "strain_share": float(state.strain_share.max()),
                "strain_station_mm": float(state.station[worst]),
                "energy_strain_Nmm": float(course.trial.energy[k]),
                "stable": float(course.trial.stable[k]),
                "iterations": float(course.trial.iterations[k]),
            }
        )
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _numbers(course: _Course, states: list[ShellState]) -> dict[str, Quantity]:
    if len(states) < 2:
        return {}
    stem, suffix = course.load_name.rsplit("_", 1)
    first = float(course.load[0] / course.control[0]) if course.control[0] else np.nan
    assert course.trial is not None
    numbers = {
        f"{stem}_end_{suffix}": Quantity(
            float(course.load[-1]), course.unit, f"at {course.control[-1]:.3g} {course.way}"
        ),
        "energy_end_Nmm": Quantity(float(course.trial.energy[-1]), "N mm", "stored in the strip"),
        "stiffness_start": Quantity(first, f"{course.unit}/{course.way}"),
        "strain_share_peak": Quantity(
            max(float(s.strain_share.max()) for s in states), "", "of the material's limit"
        ),
    }
    if course.peak is not None:
        at = course.peak
        note = f"at {course.control[at]:.3g} {course.way}"
        numbers[f"{stem}_peak_{suffix}"] = Quantity(float(course.load[at]), course.unit, note)
    names = PRESS_NAMES if course.control_name == "pressed_mm" else {}
    return {names.get(name, name): number for name, number in numbers.items()}


def _status(case: Case, course: _Course) -> str:
    push = case.push
    if course.trouble:
        return "not converged"
    gave_way = course.peak is not None
    if isinstance(push, Column):
        loads = np.abs(course.load) / np.abs(course.control)
        return "buckled" if gave_way or loads[-1] < 0.5 * loads[0] else "held"
    if isinstance(push, Press) and not gave_way:
        reach = course.model.strip.length if push.station is None else push.station
        if abs(course.control[-1]) > TOO_SOFT * reach:
            return "too soft"
    return "snapped" if gave_way else "held"


def _sentence(word: str, numbers: Mapping[str, Quantity], course: _Course) -> str:
    if course.trouble:
        return f"Not converged: {course.trouble}. This is numerical; the path up to there stands."
    stem, suffix = course.load_name.rsplit("_", 1)
    peak, end = numbers.get(f"{stem}_peak_{suffix}"), numbers.get(f"{stem}_end_{suffix}")
    peak = peak or numbers.get(PRESS_NAMES["force_peak_N"])
    if peak is not None:
        return f"Gives way at {peak.value:.3g} {peak.unit}, {peak.note}."
    if end is None:
        return "Nothing was recorded."
    if word == "too soft":
        return (
            f"Moves {course.control[-1]:.3g} mm under {end.value:.3g} {end.unit}: it gives way smoothly "
            "instead of holding."
        )
    return f"{'Buckles and carries' if word == 'buckled' else 'Holds'} {end.value:.3g} {end.unit} {end.note}."


def _snapshots(course: _Course, states: list[ShellState]) -> tuple[Snapshot, ...]:
    if not states:
        return ()
    named = [("start", 0), ("end", len(states) - 1)] + (
        [] if course.peak is None else [("peak load", course.peak)]
    )
    thickness = np.asarray(course.model.strip.thickness)
    return tuple(
        Snapshot(
            label=label,
            step=k,
            phase=PUSH_PHASE,
            travel=0.0,
            axle_angle=0.0,
            station=states[k].station,
            position=states[k].position,
            heading=states[k].heading,
            across=states[k].across,
            height=states[k].height,
            lateral=states[k].lateral,
            curvature=states[k].curvature,
            axial_force=states[k].axial_force,
            strain=states[k].strain,
            strain_share=states[k].strain_share,
            contact=np.zeros(states[k].height.shape),
            thickness=thickness,
        )
        for label, k in named
    )
