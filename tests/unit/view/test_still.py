"""Pictures show the strip and its surroundings where they are, in the colours the legend promises.

Every expected pixel is worked out from the geometry alone, not from an earlier picture.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest
from PIL import Image

from fem.core.errors import InputError, MissingLibrary
from fem.results.result import Result
from fem.view import still as view
from fem.view.canvas import Sight
from fem.view.colour import shade
from fem.view.graphics import need_graphics
from fem.view.palette import CUT, INTENDED
from fem.view.playback import chosen_state
from fem.view.scene import ROOM, jam_place
from fem.view.still import critical_picture, scene

try:
    need_graphics()
except MissingLibrary as missing:  # everything else has to work on such a machine, pictures cannot
    pytest.skip(str(missing), allow_module_level=True)


def rgb(name: str) -> np.ndarray:
    return np.array([int(name[k : k + 2], 16) for k in (1, 3, 5)], dtype=float)


def painted(
    result: Result, folder: Path, label: str | None = None
) -> tuple[np.ndarray, list[Sight], view.StillScene]:
    """Pixels of the picture, and the sights it was made with."""
    pixels = np.asarray(Image.open(critical_picture(result, folder / "critical.png", label)), dtype=float)
    shot = result.snapshots[chosen_state(result, label)]
    shown = scene(result, shot)
    _, top = view._heading(result, shot)
    return pixels, view._sights(shown, top), shown


def at(pixels: np.ndarray, sight: Sight, point: np.ndarray) -> np.ndarray:
    x, y = sight.pixels(point)[0].round().astype(int)
    return pixels[y - 1 : y + 2, x - 1 : x + 2].mean(axis=(0, 1))


def near(pixels: np.ndarray, box: tuple[int, int, int, int], colour: str, within: float = 24.0) -> int:
    left, top, right, bottom = box
    away = np.linalg.norm(pixels[top:bottom, left:right] - rgb(colour), axis=-1)
    return int((away < within).sum())


def test_axle_casing_and_coil_are_where_they_belong_in_both_views(tmp_path: Path) -> None:
    result = made_results.jammed()
    pixels, sights, shown = painted(result, tmp_path)
    assert len(sights) == 2
    half = float(np.abs(result.critical().lateral).max()) + ROOM  # type: ignore[union-attr]
    core = made_results.CASING + made_results.LIP
    for sight in sights:
        # flat colours: a point of the axle's end well off its mark, and of the casing's cut at the left
        off = 1.3 * np.array([np.cos(0.4), np.sin(0.4)])
        assert np.ptp(at(pixels, sight, np.array([*off, half]))) < 25.0
        assert at(pixels, sight, np.array([*off, half])).mean() < 130.0
        cut = at(pixels, sight, np.array([core * np.cos(2.6), core * np.sin(2.6), half]))
        np.testing.assert_allclose(cut, rgb(CUT), atol=30)
    above, below = shown.solid.across_at(30.0)
    edge = (above + below)[np.argmax(above[:, 2])] / 2
    here = at(pixels, sights[1], edge)
    share = np.interp(30.0, shown.solid.station, shown.solid.shares[0][:, -1])
    np.testing.assert_allclose(here, shade(np.array(share)), atol=45)


def test_the_picture_is_filled_and_nothing_is_cut_off(tmp_path: Path) -> None:
    for make, label in ((made_results.deployed, "fully out"), (made_results.long_lamp, None)):
        pixels, sights, shown = painted(make(), tmp_path, label)
        whole = sights[0]
        left, top, right, bottom = whole.box
        seen = whole.pixels(shown.whole)
        assert seen.min(axis=0)[0] >= left
        assert seen.min(axis=0)[1] >= top
        assert seen.max(axis=0)[0] <= right
        assert seen.max(axis=0)[1] <= bottom
        assert np.ptp(seen[:, 0]) > 0.85 * (right - left)
        drawn = (pixels.min(axis=-1) < 235).any(axis=0)
        assert np.flatnonzero(drawn)[0] < 80
        # a white margin all round: no word and no wall runs off the sheet
        assert pixels[:12].min() == pixels[:, :8].min() == pixels[-2:].min() == 255.0


def test_the_close_up_holds_casing_and_jam(tmp_path: Path) -> None:
    result = made_results.jammed()
    _, sights, shown = painted(result, tmp_path)
    assert all(sights[1].holds(point) for point in shown.near)
    assert sights[1].scale < 0.5 * sights[0].scale


def test_without_a_casing_there_is_one_view(tmp_path: Path) -> None:
    pixels, sights, _ = painted(made_results.pressed(), tmp_path)
    assert len(sights) == 1
    assert pixels.shape[1] == view.WIDE


def test_the_jam_is_ringed_and_named_and_only_a_jam_is(tmp_path: Path) -> None:
    result = made_results.jammed()
    pixels, sights, shown = painted(result, tmp_path)
    assert result.jam is not None
    for sight, radius in zip(sights, (15, 30), strict=True):
        x, y = sight.pixels(jam_place(shown.solid, result.jam))[0]
        turn = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
        places = (
            np.stack([x + (radius - 2) * np.cos(turn), y + (radius - 2) * np.sin(turn)], axis=1)
            .round()
            .astype(int)
        )
        ring = np.array([pixels[v, u] for u, v in places])
        assert np.linalg.norm(np.median(ring, axis=0) - rgb("#a3123f")) < 40.0
    close, free = tmp_path / "free", made_results.deployed()
    close.mkdir()
    other, sights, _ = painted(free, close)
    assert near(pixels, sights[1].box, "#a3123f") > 2500
    assert near(other, (0, 0, view.WIDE, other.shape[0]), "#a3123f") == 0


def test_the_intended_path_is_drawn_where_the_strip_is_not(tmp_path: Path) -> None:
    result = made_results.jammed()
    pixels, sights, _ = painted(result, tmp_path)
    assert near(pixels, sights[0].box, INTENDED, 30.0) > 300
    bare, sights, _ = painted(replace(result, intended_path=np.empty((0, 2))), tmp_path)
    assert near(bare, (0, 0, view.WIDE, bare.shape[0]), INTENDED, 30.0) == 0


def test_the_turning_of_the_axle_shows(tmp_path: Path) -> None:
    result = made_results.jammed()
    shot = result.critical()
    assert shot is not None
    half = float(np.abs(shot.lateral).max()) + ROOM
    for angle, bright, dark in ((0.0, -np.pi / 2, np.pi), (np.pi / 2, np.pi, -np.pi / 2)):
        turned = replace(shot, axle_angle=angle)
        pixels, sights, _ = painted(replace(result, snapshots=(turned,)), tmp_path)
        marked, plain = (
            at(pixels, sights[1], np.array([1.0 * np.cos(place), 1.0 * np.sin(place), half]))
            for place in (bright, dark)
        )
        assert marked.mean() > 200.0
        assert plain.mean() < 140.0


def test_over_the_limit_is_drawn_in_the_warning_colour(tmp_path: Path) -> None:
    result = made_results.deployed()
    shot = result.snapshots[0]
    calm = replace(result, snapshots=(replace(shot, strain_share=np.full_like(shot.strain_share, 0.4)),))
    over = replace(result, snapshots=(replace(shot, strain_share=np.full_like(shot.strain_share, 1.2)),))
    (first, sights, _), (second, _, _) = painted(calm, tmp_path), painted(over, tmp_path)
    assert near(first, sights[0].box, "#ffb11a", 90.0) == 0
    assert near(second, sights[0].box, "#ffb11a", 90.0) > 3000


def test_unknown_limits_are_grey_and_said(tmp_path: Path) -> None:
    result = made_results.deployed()
    shot = result.snapshots[0]
    blank = replace(result, snapshots=(replace(shot, strain_share=np.full_like(shot.strain_share, np.nan)),))
    pixels, sights, shown = painted(blank, tmp_path)
    edge = np.mean(shown.solid.across_at(50.0), axis=0)[-1]
    assert np.ptp(at(pixels, sights[0], edge)) < 12.0


def test_a_snapshot_can_be_chosen_and_a_wrong_one_is_said(tmp_path: Path) -> None:
    result = made_results.deployed()
    with pytest.raises(
        InputError, match=r"boom-corrected: no state called .jam.; there are: fully out, first bend"
    ):
        critical_picture(result, tmp_path / "x.png", "jam")
    with pytest.raises(InputError, match="nothing to draw"):
        critical_picture(replace(result, snapshots=()), tmp_path / "x.png")
    assert list(tmp_path.iterdir()) == []


WITHOUT = """
import sys
sys.path[:0] = [{root!r}, {tests!r}]
import made_results
from fem.core.errors import MissingLibrary
from fem.view.still import critical_picture
try:
    critical_picture(made_results.jammed(), {file!r})
except MissingLibrary as missing:
    print(missing)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="EGL is how Linux draws without a display")
@pytest.mark.parametrize("missing", ["__EGL_VENDOR_LIBRARY_DIRS", "LIBGL_DRIVERS_PATH"])
def test_without_a_driver_one_message_says_what_to_install(missing: str, tmp_path: Path) -> None:
    """A real process whose EGL finds no vendor library or no driver below it: VTK alone would crash there."""
    here = Path(__file__).parents[1]
    script = WITHOUT.format(root=str(here.parents[1]), tests=str(here), file=str(tmp_path / "x.png"))
    # the display is one that does not answer, as after a lost connection
    surroundings = dict(os.environ) | {missing: str(tmp_path), "DISPLAY": ":4711"}
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=surroundings,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    if missing == "LIBGL_DRIVERS_PATH" and (tmp_path / "x.png").exists():
        pytest.skip("this EGL keeps its drivers elsewhere")
    assert done.stdout.count("\n") == 1
    assert "no" in done.stdout
    assert "apt install libegl1 libegl-mesa0 libgl1-mesa-dri" in done.stdout
    assert done.stderr == ""
    assert list(tmp_path.iterdir()) == []


def test_without_the_library_itself_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> None:
        raise OSError(f"{name}: cannot open shared object file: No such file or directory")

    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr(ctypes, "CDLL", absent)
    with pytest.raises(MissingLibrary, match=r"libEGL\.so\.1: cannot open.*apt install libegl1"):
        need_graphics()


# ---- other colours, states and layers ---------------------------------------------------------------------


def mean_of_strip(pixels: np.ndarray, sights: list[Sight], shown: view.StillScene) -> np.ndarray:
    """Mean colour along the edge nearest the onlooker, in the straight part outside."""
    places = [np.mean(shown.solid.across_at(s), axis=0)[-1] for s in np.arange(72.0, 92.0, 1.5)]
    return np.mean([at(pixels, sights[0], place) for place in places], axis=0)


@pytest.mark.parametrize("colour", ["contact", "displacement", "gap", "curvature"])
def test_a_planted_field_is_drawn_in_the_colour_of_its_legend(colour: str, tmp_path: Path) -> None:
    """The same value everywhere: the strip has to be of that one colour, as the scale gives it."""
    result = made_results.deployed()
    shot = result.snapshots[0]
    n, m = shot.height.shape
    planted = {
        "contact": {"contact": np.full((n, m), 0.75)},
        "displacement": {"position": shot.position + np.array([0.0, 6.0])},
        "gap": {"gap": np.full((n, m), 0.5)},
        "curvature": {"curvature": shot.curvature - 0.05},
    }[colour]
    value = {"contact": 0.75, "displacement": 6.0, "gap": 0.5, "curvature": -0.05}[colour]
    other = replace(shot, **planted)
    both = replace(
        result, snapshots=(replace(shot, contact=np.ones((n, m))), replace(other, label="planted"))
    )
    file = critical_picture(both, tmp_path / "x.png", "planted", colour)
    pixels = np.asarray(Image.open(file), dtype=float)
    shown = scene(both, both.snapshots[1], colour)
    sights = view._sights(shown, view._heading(both, both.snapshots[1])[1])
    assert shown.scale is not None
    promised = shown.scale.colours(np.array([value]))[0].astype(float)
    seen = mean_of_strip(pixels, sights, shown)
    # shading darkens every channel alike: compare direction and, loosely, brightness
    assert seen @ promised / np.linalg.norm(seen) / np.linalg.norm(promised) > 0.99
    assert np.linalg.norm(seen) / np.linalg.norm(promised) == pytest.approx(1.0, abs=0.2)


def test_two_moments_are_two_pictures_and_a_travel_chooses_one(tmp_path: Path) -> None:
    result = made_results.deployed()
    first = np.asarray(Image.open(critical_picture(result, tmp_path / "a.png", "fully out")), dtype=float)
    second = np.asarray(Image.open(critical_picture(result, tmp_path / "b.png", "66")), dtype=float)
    rows = min(len(first), len(second))
    assert np.mean(np.abs(first[:rows] - second[:rows]).max(axis=-1) > 40) > 0.05


def test_layers_without_a_case_say_so(tmp_path: Path) -> None:
    result = made_results.deployed()
    file = critical_picture(result, tmp_path / "a.png", "fully out", "layers")
    pixels = np.asarray(Image.open(file), dtype=float)
    assert near(pixels, (0, 0, view.WIDE, pixels.shape[0]), "#ffb11a") == 0
    assert list(tmp_path.iterdir()) == [file]
