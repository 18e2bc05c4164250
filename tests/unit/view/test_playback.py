"""What is shown of a run is decided without a window: events, slider, keys."""

from __future__ import annotations

from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.core.errors import InputError
from fem.results.result import Result
from fem.view.colouring import NAMES
from fem.view.playback import CASINGS, KEYS, SIDES, Event, Showing, chosen_moment, events, moment_like, snaps


def film() -> Result:
    """A full cycle of 21 moments: eleven in, ten out."""
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
    """Bends 1 and 2 cost most at 30 and 66 mm (`made_results`): moments at 32 and 64 mm, pushing out."""
    found = events(film())
    assert [event.moment for event in found] == sorted(event.moment for event in found)
    assert Event("hardest while winding in", 10) in found and Event("wound in", 10) in found
    travel = {event.name: film().snapshots[event.moment].travel for event in found}
    phase = {event.name: film().snapshots[event.moment].phase for event in found}
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
    assert event.moment == int(np.argmin(np.abs(steps - result.column("step")[300])))


def test_moments_are_chosen_by_name_and_by_travel() -> None:
    result = film()
    assert chosen_moment(result, "wound in") == 10
    assert chosen_moment(result, "25") == 17  # 24 mm, pushing out
    assert result.snapshots[chosen_moment(result, None)] is result.critical()
    with pytest.raises(InputError, match=r"called 'jam'; there are: fully out, .*; or a travel in mm"):
        chosen_moment(result, "jam")
    with pytest.raises(InputError, match=r"travel runs from 0\.0 to 80\.0 mm, got 200"):
        chosen_moment(result, "200")
    with pytest.raises(InputError, match="nothing to draw"):
        chosen_moment(replace(result, snapshots=()), None)


def test_another_run_is_shown_where_it_is_most_alike() -> None:
    result = film()
    assert moment_like(result, made_results.snapshot("", 41.0, 2)) == 15
    assert moment_like(result, made_results.snapshot("", 41.0, 1)) == 5
    only_in = replace(result, snapshots=result.snapshots[:11])
    assert moment_like(only_in, made_results.snapshot("", 41.0, 2)) == 5


@pytest.mark.parametrize(
    ("share", "moment"), [(-1.0, 0), (0.0, 0), (0.5, 10), (0.999, 20), (1.0, 20), (7.0, 20)]
)
def test_the_slider_gives_every_moment_the_same_room(share: float, moment: int) -> None:
    showing = Showing(film())
    showing.slide(share)
    assert showing.moment == moment


def test_a_film_plays_to_its_end_and_starts_again_from_there() -> None:
    showing = Showing(film())
    showing.go(18)
    showing.press("space")
    seen = []
    for _ in range(5):
        showing.tick()
        seen.append(showing.moment)
    assert seen == [19, 20, 20, 20, 20]
    assert not showing.playing
    showing.press("space")
    assert showing.playing and showing.moment == 0
    showing.press("Right")
    assert not showing.playing and showing.moment == 1


def test_arrows_step_and_jump_to_events() -> None:
    showing = Showing(film())
    showing.press("Home")
    showing.press("Left")
    assert showing.moment == 0
    places = sorted({event.moment for event in showing.events})
    walked = []
    for _ in places[1:]:
        showing.press("Up")
        walked.append(showing.moment)
    assert walked == places[1:]
    showing.press("Up")
    assert showing.moment == places[-1] and showing.message == "no later event"
    showing.press("Down")
    assert showing.moment == places[-2] and showing.message == ""
    showing.press("End")
    assert showing.moment == 20


def test_j_goes_to_the_jam_where_the_casing_is_looked_into() -> None:
    result = made_results.jammed()
    showing = Showing(result)
    assert showing.near and showing.probe is not None and result.jam is not None
    assert showing.probe[0] == result.jam.station_mm
    there = showing.moment
    showing.press("Home")
    showing.press("j")
    assert showing.moment == there and result.snapshots[there] is result.critical()


def test_colours_casings_and_sides_go_round() -> None:
    showing = Showing(film())
    for number, name in enumerate(NAMES, 1):
        showing.press(str(number))
        assert showing.colour == name
    for words, key, attribute in ((CASINGS, "c", "casing"), (SIDES, "v", "side")):
        seen = []
        for _ in words:
            seen.append(getattr(showing, attribute))
            showing.press(key)
        assert tuple(seen) == words and getattr(showing, attribute) == words[0]
    assert showing.wants == {"fit"}


def test_the_cut_moves_by_a_hundredth_of_the_length_and_stays_on_the_strip() -> None:
    showing = Showing(film())
    showing.press("Escape")
    assert showing.probe is None
    showing.press("period")
    assert showing.probe == (47.5, 0.0)
    showing.press("period")
    assert showing.probe == (pytest.approx(48.45), 0.0)
    for _ in range(80):
        showing.press("comma")
    assert showing.probe == (0.0, 0.0)


def test_swaying_needs_a_mode() -> None:
    result = film()
    showing = Showing(result)
    showing.press("m")
    assert not showing.swaying and "no softest mode" in showing.message
    shot = result.snapshots[4]
    with_mode = replace(shot, mode=np.ones((*shot.height.shape, 3)))
    showing = Showing(replace(result, snapshots=(*result.snapshots[:4], with_mode, *result.snapshots[5:])))
    showing.go(4)
    showing.press("m")
    assert showing.swaying
    showing.go(5)
    assert not showing.swaying


def test_every_key_is_told_once_and_does_something() -> None:
    keys = [key for binding in KEYS for key in binding.keys]
    assert len(set(keys)) == len(keys)
    for key in keys:
        showing = Showing(film())
        showing.go(12)
        before = {name: value for name, value in vars(showing).items() if name != "wants"}
        assert showing.press(key)
        changed = {name for name, value in vars(showing).items() if name in before and before[name] != value}
        assert changed or showing.wants or key == "1"
    assert not Showing(film()).press("F13")
