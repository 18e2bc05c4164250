"""What is shown of a run is decided without a window: events, slider, keys."""

from __future__ import annotations

from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.core.errors import InputError
from fem.results.result import Result
from fem.view.colouring import NAMES
from fem.view.playback import (
    CASINGS,
    KEYS,
    SIDES,
    Playback,
    RunEvent,
    chosen_state,
    events,
    snaps,
    state_like,
)


def film() -> Result:
    """A full cycle of 21 states: eleven in, ten out."""
    inward = np.linspace(0.0, 80.0, 11)
    shots = [made_results.snapshot("", float(travel), 1) for travel in inward]
    shots += [made_results.snapshot("", float(travel), 2, 0.8) for travel in inward[-2::-1]]
    # the rows of `made_results.deployed`: 220 in, 220 out, 82 mm each way
    rows = [shot.travel if shot.phase == 1 else 164.5 - shot.travel for shot in shots]
    shots = [replace(shot, step=round(row / 82.0 * 219)) for shot, row in zip(shots, rows, strict=True)]
    shots[0] = replace(shots[0], label="fully out")
    shots[10] = replace(shots[10], label="hardest while winding in; wound in")
    shots[20] = replace(shots[20], label="end of pushing out")
    return replace(made_results.deployed(), snapshots=tuple(shots))


def test_events_come_in_the_order_of_the_run_and_bends_on_the_way_out() -> None:
    """Bends 1 and 2 cost most at 30 and 66 mm (`made_results`): states at 32 and 64 mm, pushing out."""
    found = events(film())
    assert [event.state for event in found] == sorted(event.state for event in found)
    assert RunEvent("hardest while winding in", 10) in found and RunEvent("wound in", 10) in found
    travel = {event.name: film().snapshots[event.state].travel for event in found}
    phase = {event.name: film().snapshots[event.state].phase for event in found}
    assert travel["bend 2 at the slot"] == pytest.approx(64.0)
    assert travel["bend 1 at the slot"] == pytest.approx(32.0)
    assert phase["bend 2 at the slot"] == phase["bend 1 at the slot"] == 2


def test_a_planted_snap_is_found_once_and_smooth_runs_have_none() -> None:
    result = film()
    assert snaps(result).size == 0
    lost = result.column("loss_damping_Nmm").copy()
    lost[300:] += 40.0  # in one step a fifth of the largest stored energy
    lost[301:] += 12.0  # and the swing after it
    snapped = replace(result, path=dict(result.path) | {"loss_damping_Nmm": lost})
    assert snaps(snapped).tolist() == [300]
    (event,) = [event for event in events(snapped) if event.name == "snap"]
    steps = np.array([shot.step for shot in result.snapshots])
    assert event.state == int(np.argmin(np.abs(steps - result.column("step")[300])))


def test_moments_are_chosen_by_name_and_by_travel() -> None:
    result = film()
    assert chosen_state(result, "wound in") == 10
    assert chosen_state(result, "25") == 17  # 24 mm, pushing out
    assert result.snapshots[chosen_state(result, None)] is result.critical()
    with pytest.raises(InputError, match=r"called 'jam'; there are: fully out, .*; or a travel in mm"):
        chosen_state(result, "jam")
    with pytest.raises(InputError, match=r"travel runs from 0\.0 to 80\.0 mm, got 200"):
        chosen_state(result, "200")
    with pytest.raises(InputError, match="nothing to draw"):
        chosen_state(replace(result, snapshots=()), None)


def test_another_run_is_shown_where_it_is_most_alike() -> None:
    result = film()
    assert state_like(result, made_results.snapshot("", 41.0, 2)) == 15
    assert state_like(result, made_results.snapshot("", 41.0, 1)) == 5
    only_in = replace(result, snapshots=result.snapshots[:11])
    assert state_like(only_in, made_results.snapshot("", 41.0, 2)) == 5


@pytest.mark.parametrize(
    ("share", "state"), [(-1.0, 0), (0.0, 0), (0.5, 10), (0.999, 20), (1.0, 20), (7.0, 20)]
)
def test_the_slider_gives_every_moment_the_same_room(share: float, state: int) -> None:
    playback = Playback(film())
    playback.slide(share)
    assert playback.state == state


def test_a_film_plays_to_its_end_and_starts_again_from_there() -> None:
    playback = Playback(film())
    playback.go(18)
    playback.press("space")
    seen = []
    for _ in range(5):
        playback.tick()
        seen.append(playback.state)
    assert seen == [19, 20, 20, 20, 20]
    assert not playback.playing
    playback.press("space")
    assert playback.playing and playback.state == 0
    playback.press("Right")
    assert not playback.playing and playback.state == 1


def test_arrows_step_and_jump_to_events() -> None:
    playback = Playback(film())
    playback.press("Home")
    playback.press("Left")
    assert playback.state == 0
    places = sorted({event.state for event in playback.events})
    walked = []
    for _ in places[1:]:
        playback.press("Up")
        walked.append(playback.state)
    assert walked == places[1:]
    playback.press("Up")
    assert playback.state == places[-1] and playback.message == "no later event"
    playback.press("Down")
    assert playback.state == places[-2] and playback.message == ""
    playback.press("End")
    assert playback.state == 20


def test_j_goes_to_the_jam_where_the_casing_is_looked_into() -> None:
    result = made_results.jammed()
    playback = Playback(result)
    assert playback.near and playback.probe is not None and result.jam is not None
    assert playback.probe[0] == result.jam.station_mm
    there = playback.state
    playback.press("Home")
    playback.press("j")
    assert playback.state == there and result.snapshots[there] is result.critical()


def test_colours_casings_and_sides_go_round() -> None:
    playback = Playback(film())
    for number, name in enumerate(NAMES, 1):
        playback.press(str(number))
        assert playback.colour == name
    for words, key, attribute in ((CASINGS, "c", "casing"), (SIDES, "v", "side")):
        seen = []
        for _ in words:
            seen.append(getattr(playback, attribute))
            playback.press(key)
        assert tuple(seen) == words and getattr(playback, attribute) == words[0]
    assert playback.wants == {"fit"}


def test_the_cut_moves_by_a_hundredth_of_the_length_and_stays_on_the_strip() -> None:
    playback = Playback(film())
    playback.press("Escape")
    assert playback.probe is None
    playback.press("period")
    assert playback.probe == (47.5, 0.0)
    playback.press("period")
    assert playback.probe == (pytest.approx(48.45), 0.0)
    for _ in range(80):
        playback.press("comma")
    assert playback.probe == (0.0, 0.0)


def test_swaying_needs_a_mode() -> None:
    result = film()
    playback = Playback(result)
    playback.press("m")
    assert not playback.swaying and "no softest mode" in playback.message
    shot = result.snapshots[4]
    with_mode = replace(shot, mode=np.ones((*shot.height.shape, 3)))
    playback = Playback(replace(result, snapshots=(*result.snapshots[:4], with_mode, *result.snapshots[5:])))
    playback.go(4)
    playback.press("m")
    assert playback.swaying
    playback.go(5)
    assert not playback.swaying


def test_every_key_is_told_once_and_does_something() -> None:
    keys = [key for binding in KEYS for key in binding.keys]
    assert len(set(keys)) == len(keys)
    for key in keys:
        playback = Playback(film())
        playback.go(12)
        before = {name: value for name, value in vars(playback).items() if name != "wants"}
        assert playback.press(key)
        changed = {name for name, value in vars(playback).items() if name in before and before[name] != value}
        assert changed or playback.wants or key == "1"
    assert not Playback(film()).press("F13")
