"""A finished run as a film: its states in order, the events among them, and what a key does to what is
shown.

No window is needed here: a window, a film and a test all drive a `Playback`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array, Index
from fem.results.readings import state_of_bend
from fem.results.result import Result
from fem.results.snapshot import PHASES, Snapshot
from fem.view.colouring import NAMES

SNAP_SHARE, SNAP_TIMES = 0.02, 8.0
"""A snap: one step loses so much of the largest stored energy to motion, and so many times the usual loss."""
SNAP = "snap"
"""Name of an event that may come often."""
RETRACT, DEPLOY = PHASES.index("retract"), PHASES.index("deploy")


@dataclass(frozen=True)
class RunEvent:
    """Something worth a look, and the number of the state nearest to it."""

    name: str
    state: int


def travel_of(result: Result) -> Array:
    """Travel of every state, (k,) mm."""
    return np.array([shot.travel for shot in result.snapshots])


def state_at_travel(result: Result, travel: float, phase: int) -> int:
    """The state of a phase whose travel is nearest, of all states if the phase has none."""
    shots = result.snapshots
    own = [k for k, shot in enumerate(shots) if shot.phase == phase] or list(range(len(shots)))
    return min(own, key=lambda k: abs(shots[k].travel - travel))


def state_like(result: Result, shot: Snapshot) -> int:
    """The state of a run most like one of another: of the same phase, near in travel and in turning."""
    shots = result.snapshots
    own = [k for k, other in enumerate(shots) if other.phase == shot.phase] or list(range(len(shots)))
    reach = max(abs(other.travel) for other in shots) or 1.0
    turned = max(abs(other.axle_angle) for other in shots) or 1.0

    def unlike(k: int) -> float:
        away = abs(shots[k].travel - shot.travel) / reach
        return away + 0.2 * abs(shots[k].axle_angle - shot.axle_angle) / turned

    return min(own, key=unlike)


def snaps(result: Result) -> Index:
    """Rows in which the strip snapped: far more energy went into motion in one step than usual."""
    lost = np.nansum([result.column("loss_damping_Nmm"), result.column("loss_numerical_Nmm")], axis=0)
    stored = result.column("energy_strain_Nmm")
    if lost.size < 3 or not np.isfinite(stored).any():
        return np.empty(0, dtype=np.int64)
    step = np.diff(lost, prepend=lost[:1])
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    rows = np.flatnonzero(step > max(SNAP_SHARE * float(np.nanmax(stored)), SNAP_TIMES * usual))
    # steps side by side are one snap: the strongest of them names it
    groups = np.split(rows, np.flatnonzero(np.diff(rows) > 2) + 1) if rows.size else []
    return np.array([group[np.argmax(step[group])] for group in groups], dtype=np.int64)


def events(result: Result) -> tuple[RunEvent, ...]:
    """Events in the order of the run: named states, passages of bends, snaps."""
    found = [
        RunEvent(word, k)
        for k, shot in enumerate(result.snapshots)
        for word in shot.label.split("; ")
        if word
    ]
    for bend in result.bends:
        if (nearest := state_of_bend(result, bend)) is not None:
            found.append(RunEvent(f"bend {bend.bend} at the slot", nearest))
    steps = np.array([shot.step for shot in result.snapshots])
    for row in snaps(result):
        found.append(RunEvent(SNAP, int(np.argmin(np.abs(steps - result.column("step")[row])))))
    found.sort(key=lambda event: event.state)
    return tuple(dict.fromkeys(found))


def chosen_state(result: Result, wanted: str | None) -> int:
    """The state called `wanted`: an event, a travel in mm, or None: the critical one.

    A travel is looked for where the strip is pushed out, if it is, else on the way in. Raises InputError
    listing what there is.
    """
    shots = result.snapshots
    if not shots:
        raise InputError(
            f"{result.case_name}: the run ended before its first state was kept; nothing to draw"
        )
    if wanted is None:
        return next(k for k, shot in enumerate(shots) if shot is result.critical())
    named = {event.name: event.state for event in reversed(events(result))}
    if wanted in named:
        return named[wanted]
    try:
        travel = float(wanted)
    except ValueError:
        travel = math.nan
    if not math.isfinite(travel):
        raise InputError(
            f"{result.case_name}: no state called {wanted!r}; there are: {', '.join(reversed(named))}; "
            "or a travel in mm"
        )
    low, high = float(travel_of(result).min()), float(travel_of(result).max())
    if not low - 1.0 <= travel <= high + 1.0:
        raise InputError(
            f"{result.case_name}: the travel runs from {low:.1f} to {high:.1f} mm, got {travel:g}"
        )
    phases = {shot.phase for shot in shots}
    return state_at_travel(result, travel, DEPLOY if DEPLOY in phases else RETRACT)


# ---- what is shown -----------------------------------------------------------------------------------------

CASINGS = ("see-through", "cut open", "whole", "left out")
SIDES = ("aslant", "from the front", "from above", "along the path")


@dataclass
class Playback:
    """What of a run is shown now; every key changes something here, and whoever draws looks at it."""

    result: Result
    state: int = 0
    colour: str = NAMES[0]
    casing: str = CASINGS[0]
    side: str = SIDES[0]
    near: bool = False
    """Whether the camera is on the casing alone."""
    playing: bool = False
    intended: bool = True
    measuring: bool = False
    swaying: bool = False
    help: bool = False
    probe: tuple[float, float] | None = None
    """Station and place across [mm] of the point asked about; its station is where the section is cut."""
    message: str = ""
    quitting: bool = False
    wants: set[str] = field(default_factory=set)
    """What only a window can do: "probe" under the pointer, "save" a picture, "fit" the camera."""

    def __post_init__(self) -> None:
        self.events = events(self.result)
        self.state = chosen_state(self.result, None)
        jam = self.result.jam
        self.near = jam is not None
        if jam is not None and math.isfinite(jam.station_mm):
            self.probe = (jam.station_mm, 0.0)
        elif np.isfinite(self.shot.strain_share).any():
            row, column = np.unravel_index(np.nanargmax(self.shot.strain_share), self.shot.strain_share.shape)
            self.probe = (float(self.shot.station[row]), float(self.shot.across[column]))

    @property
    def shot(self) -> Snapshot:
        """The state shown."""
        return self.result.snapshots[self.state]

    @property
    def names(self) -> str:
        """Events at this state, in words."""
        return "; ".join(event.name for event in self.events if event.state == self.state)

    def go(self, state: int) -> None:
        """Show a state by number; stays within the run."""
        self.state = int(np.clip(state, 0, len(self.result.snapshots) - 1))
        self.swaying = self.swaying and self.shot.mode.size > 0

    def slide(self, share: float) -> None:
        """Show the state at a share 0 ... 1 of the slider, on which all states have the same room."""
        self.go(math.floor(min(max(share, 0.0), 1.0) * len(self.result.snapshots)))

    def tick(self) -> None:
        """One step of a playing film; it stops at the last state."""
        if self.playing:
            self.go(self.state + 1)
            self.playing = self.state < len(self.result.snapshots) - 1

    def press(self, key: str) -> bool:
        """Do what a key says; whether it says anything."""
        self.message = ""
        for binding in KEYS:
            if key in binding.keys:
                binding.does(self, key)
                return True
        return False

    # ---- one method per line of the help

    def _play(self, _: str) -> None:
        if not self.playing and self.state == len(self.result.snapshots) - 1:
            self.go(0)
        self.playing = not self.playing

    def _step(self, key: str) -> None:
        self.playing = False
        self.go(self.state + (1 if key == "Right" else -1))

    def _event(self, key: str) -> None:
        self.playing = False
        places = sorted({event.state for event in self.events})
        later = (
            [k for k in places if k > self.state] if key == "Up" else [k for k in places if k < self.state]
        )
        if later:
            self.go(later[0] if key == "Up" else later[-1])
        else:
            self.message = "no later event" if key == "Up" else "no earlier event"

    def _end(self, key: str) -> None:
        self.playing = False
        self.go(0 if key == "Home" else len(self.result.snapshots) - 1)

    def _critical(self, _: str) -> None:
        self.playing = False
        self.go(chosen_state(self.result, None))

    def _colour(self, key: str) -> None:
        self.colour = NAMES[int(key) - 1]

    def _casing(self, _: str) -> None:
        self.casing = _after(CASINGS, self.casing)

    def _side(self, _: str) -> None:
        self.side = _after(SIDES, self.side)
        self.wants.add("fit")

    def _fit(self, _: str) -> None:
        self.near = not self.near
        self.wants.add("fit")

    def _intended(self, _: str) -> None:
        self.intended = not self.intended

    def _sway(self, _: str) -> None:
        self.swaying = not self.swaying and self.shot.mode.size > 0
        if not self.shot.mode.size:
            self.message = "no softest mode was kept for this state"

    def _measure(self, _: str) -> None:
        self.measuring = not self.measuring

    def _probe(self, _: str) -> None:
        self.wants.add("probe")

    def _cut(self, key: str) -> None:
        length = float(self.shot.station[-1])
        station, across = self.probe or (0.5 * length, 0.0)
        step = length / 100.0 if self.probe else 0.0
        self.probe = (float(np.clip(station + (step if key == "period" else -step), 0.0, length)), across)

    def _forget(self, _: str) -> None:
        self.probe, self.help = None, False

    def _save(self, _: str) -> None:
        self.wants.add("save")

    def _help(self, _: str) -> None:
        self.help = not self.help

    def _quit(self, _: str) -> None:
        self.quitting = True


def _after(words: tuple[str, ...], word: str) -> str:
    return words[(words.index(word) + 1) % len(words)]


@dataclass(frozen=True)
class KeyBinding:
    """Keys, how the help calls them, what they do in words and in deed."""

    keys: tuple[str, ...]
    shown: str
    words: str
    does: Callable[[Any, str], None]


KEYS = (
    KeyBinding(("space",), "space", "play, pause", Playback._play),
    KeyBinding(("Left", "Right"), "\N{LEFTWARDS ARROW} \N{RIGHTWARDS ARROW}", "one state back, on",
               Playback._step),
    KeyBinding(("Down", "Up"), "\N{DOWNWARDS ARROW} \N{UPWARDS ARROW}", "event before, after",
               Playback._event),
    KeyBinding(("Home", "End"), "home, end", "first, last state", Playback._end),
    KeyBinding(("j",), "j", "jam, or the most strained state", Playback._critical),
    KeyBinding(tuple(str(k + 1) for k in range(len(NAMES))), f"1 \N{EN DASH} {len(NAMES)}",
               "colour: " + ", ".join(NAMES), Playback._colour),
    KeyBinding(("c",), "c", "casing: " + ", ".join(CASINGS), Playback._casing),
    KeyBinding(("i",), "i", "intended surface on, off", Playback._intended),
    KeyBinding(("m",), "m", "sway in the softest mode, where it was kept", Playback._sway),
    KeyBinding(("d",), "d", "coil diameter and clearance on, off", Playback._measure),
    KeyBinding(("p",), "p, click", "ask about the point under the pointer, cut the section there",
               Playback._probe),
    KeyBinding(("comma", "period"), ",  .", "move the cut toward root, tip", Playback._cut),
    KeyBinding(("Escape",), "esc", "forget the point, close this list", Playback._forget),
    KeyBinding(("v",), "v", "look " + ", ".join(SIDES), Playback._side),
    KeyBinding(("f",), "f", "camera onto everything, onto the casing", Playback._fit),
    KeyBinding(("k",), "k", "keep a picture of the window as a file", Playback._save),
    KeyBinding(("h",), "h", "this list", Playback._help),
    KeyBinding(("q",), "q", "close the window", Playback._quit),
)  # fmt: skip
