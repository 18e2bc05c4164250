"""A push on the bench made through static states: the shell in the air, each state at rest.

A test bench touches the strip with its grips only. What is driven goes through levels; a snap carries the
strip on to the next state at rest, and the energy it loses is told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array, DeadLoad
from fem.design.settings import Settings
from fem.mesh.clamp_layer import edge_layer
from fem.mesh.line_mesh import Zone
from fem.shell.loads import weight
from fem.shell.state import ShellState, strip_state
from fem.shell.static_drive import Trial, TrialSettings, flattened
from fem.shell.strip_shell import MOST_TURN, StripMesh, StripShell, strip_shell
from fem.simulation.energy_guard import BROKEN_SHARE, DRIFTED
from fem.simulation.load_curve import LoadCurve
from fem.simulation.run_context import Progress

EDGE_ELEMENT = 0.5
"""Element at a free edge, as a share of the layer in which that bends next to a clamp: the strain a thickness
away is then within 3 % of that of ever finer ones.
"""
LEVELS = 40
FIRST_PARTS = 5
COARSE_FOLD = 0.6
"""rad of one element beyond which a fold is too sharp for it: a full circle on ten elements is still right to
0.1 %.
"""


@dataclass(frozen=True)
class AirShell:
    """A shell in the air: case, strip as a shell, settings of its static states, and the state (size,) in
    which the grips close.
    """

    case: Case
    body: StripShell
    settings: TrialSettings
    start: Array
    progress: Progress

    def telling(self, target: float, text: str) -> TrialSettings:
        """Settings that tell each level reached on the way to a target, by a text with its place in it."""

        def watch(level: float) -> None:
            self.progress(min(1.0, abs(level / target)), text.format(level))

        return replace(self.settings, watch=watch)

    def curve(self, trial: Trial, control: Array, load: Array, load_driven: bool = False) -> LoadCurve:
        """The load curve of a trial; load_driven: its levels were the load, which cannot fall then."""
        sound, trouble = slice(None), "" if trial.finished else trial.message
        columns = _energies(trial, control, load, load_driven)
        open_at = np.flatnonzero(np.abs(columns["audit_error"]) > BROKEN_SHARE)
        if open_at.size:  # rows that mean nothing must not reach the verdict
            sound, trouble = slice(int(open_at[0])), DRIFTED
        states = tuple(strip_state(self.body, x) for x in trial.states[sound])
        level, snaps = np.abs(trial.drive), trial.snaps
        before = (max(0, int(np.searchsorted(level, abs(snap.level))) - 1) for snap in snaps)
        columns |= {"stable": trial.stable.astype(float), "iterations": trial.iterations.astype(float)}
        return LoadCurve(
            control[sound], load[sound], {name: column[sound] for name, column in columns.items()}, states,
            jumps=tuple(before) if load_driven else (), lost=sum(snap.lost for snap in snaps),
            trouble=trouble, cautions=self._cautions(states),
        )  # fmt: skip

    def weighed(self, case: Case) -> AirShell:
        """The same with the weight of a case, if it acts there."""
        dead = _weight(self.body, case)
        return replace(self, settings=replace(self.settings, dead=(*self.settings.dead, *dead)))

    def _cautions(self, states: tuple[ShellState, ...]) -> tuple[str, ...]:
        """What is to be said of the mesh after these states."""
        lines, turn = [], max((element_turn(state) for state in states), default=0.0)
        if turn > COARSE_FOLD:
            better = self.case.settings.element * 0.7 * COARSE_FOLD / turn
            lines.append(
                f"one element turns by {np.degrees(turn):.0f} degrees where the strip folds: set "
                f"solver.element to {better:.2g} mm and compare"
            )
        return (*lines, *([self.body.warning] if self.body.warning else []))


def _energies(trial: Trial, control: Array, load: Array, load_driven: bool) -> dict[str, Array]:
    """Columns (n,) of energies [N mm]: what is stored, the work of the load, and how well they add up.

    Where what is driven is the control, a snap keeps the control, and the load falls within the step: its
    work is counted with one load up to the snap and the other beyond.
    """
    level, lost = np.abs(trial.drive), np.zeros(control.size)
    steps = 0.5 * (load[1:] + load[:-1]) * np.diff(control)
    for snap in trial.snaps:
        lost[level >= abs(snap.level)] += snap.lost
        row = int(np.searchsorted(level, abs(snap.level))) - 1
        if not load_driven and 0 <= row < steps.size:
            ends, at = control[row : row + 2], snap.level
            steps[row] = load[row] * (at - ends[0]) + load[row + 1] * (ends[1] - at)
    work = np.append(0.0, np.cumsum(steps))[: control.size]
    strain, dead = trial.energy - trial.dead, trial.dead - trial.dead[:1]
    changes = np.abs(np.array([work, strain - strain[:1], dead]))
    error = work - (trial.energy - trial.energy[:1]) - lost
    return {
        "energy_strain_Nmm": strain, "energy_load_Nmm": dead, "work_in_Nmm": work,
        "audit_error": error / max(float(changes.max(initial=0.0)), 1e-300),
    }  # fmt: skip


def _weight(body: StripShell, case: Case) -> tuple[DeadLoad, ...]:
    """The weight of a case's strip, if it acts."""
    if not case.weight.acts:
        return ()
    return (weight(body.shell, np.array([*case.weight.acceleration(), 0.0])),)


def shell_in_air(
    case: Case, mesh: StripMesh, pressed_flat: tuple[int, ...], progress: Progress
) -> AirShell | LoadCurve:
    """The shell of a case with its sections pressed flat at some lines of nodes, before the grips close; or
    the empty curve that says why not.
    """
    body = strip_shell(case.strip, mesh)
    settings = TrialSettings(dead=_weight(body, case))
    start: Array | str = body.shell.rest.ravel()
    if pressed_flat:
        progress(0.05, "pressing the root flat")
        start = flattened(body, pressed_flat, settings)
    if isinstance(start, str):
        none = np.zeros(0)
        return LoadCurve(none, none, {"audit_error": none}, (), trouble=start)
    return AirShell(case, body, settings, start, progress)


def air_mesh(
    case: Case,
    largest: float = math.inf,
    nodes: tuple[float, ...] = (),
    half: bool = False,
    clamps: tuple[float, ...] = (),
) -> StripMesh:
    """Elements for a push in the air: a fifth of the width will do, `largest` [mm] at most; smaller ones than
    the usual in the settings divide it in proportion. nodes [mm]: stations to grip; half: half the width;
    clamps [mm]: stations of rigid grips, next to which, and to the edges that bend there, they are smaller.
    """
    strip, usual = case.strip, case.settings.element
    zones = [Zone(mark.start, mark.end, min(usual, 0.2 * abs(mark.radius))) for mark in strip.path.bends]
    finer = min(1.0, usual / Settings().element)
    along = min(max(usual, strip.width / 5.0 * finer), largest)
    layer = min((edge_layer(strip, at) for at in clamps), default=math.inf)
    edge = EDGE_ELEMENT * layer if math.isfinite(layer) else None
    return StripMesh(along, tuple(zones), half=half, nodes=nodes, clamps=clamps, edge=edge, turn=MOST_TURN)


def levels(target: float, count: int = LEVELS) -> Array:
    """Levels from 0 to a target, the first step in FIRST_PARTS: a strip is stiffest, and may give way, right
    there.
    """
    first = np.linspace(0.0, 1.0 / count, FIRST_PARTS + 1)[:-1]
    return target * np.concatenate([first, np.linspace(0.0, 1.0, count + 1)[1:]])


def dense_levels(target: float, count: int = LEVELS) -> Array:
    """Levels that stand closer still at the start, for a column."""
    return np.asarray(target * np.linspace(0.0, 1.0, count + 1) ** 2)


def element_turn(state: ShellState) -> float:
    """Largest angle [rad] by which the mid-line bends within one element."""
    sizes = np.diff(state.station)
    return float(np.max(np.abs(state.curvature) * np.maximum(np.append(sizes, 0.0), np.append(0.0, sizes))))
