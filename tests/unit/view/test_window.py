"""The real window, off screen: keys and slider change what is drawn, and films are what they promise."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest
from PIL import Image

from fem.cli.viewing import ViewOptions, strip_of, view_runs
from fem.core.errors import InputError, MissingLibrary
from fem.results.result import Result, write
from fem.view.colour import rgb
from fem.view.graphics import need_display, need_graphics
from fem.view.palette import INK, OUTWARD

try:
    need_graphics()
except MissingLibrary as missing:
    pytest.skip(str(missing), allow_module_level=True)

from fem.view.film import CURVE, ROW, SCENE, WIDTH, frames, write_film
from fem.view.side_panel import FOOT, SIDE
from fem.view.window import Window

SIZE = (1000, 700)


def cycle() -> Result:
    """In and out in seven states, the last ones jammed."""
    shots = [made_results.snapshot("", travel, 1) for travel in (0.0, 30.0, 60.0, 82.0)]
    shots += [made_results.snapshot("", travel, 2, 0.9) for travel in (76.0, 66.0, 57.6)]
    shots[0], shots[6] = replace(shots[0], label="fully out"), replace(shots[6], label="jam")
    steps = (0, 80, 160, 219, 239, 271, 299)  # the rows of `made_results.jammed` with those travels
    shots = [replace(shot, step=step) for shot, step in zip(shots, steps, strict=True)]
    return replace(made_results.jammed(), snapshots=tuple(shots))


@pytest.fixture(scope="module")
def window() -> Iterator[Window]:
    made = Window([cycle()], [None], SIZE, hidden=True)
    yield made
    made.plotter.close()


def scene_of(picture: np.ndarray) -> np.ndarray:
    return picture[72 : SIZE[1] - FOOT, : SIZE[0] - SIDE].astype(float)


def changed(first: np.ndarray, second: np.ndarray) -> float:
    """Share of pixels that differ clearly."""
    return float(np.mean(np.abs(first.astype(float) - second.astype(float)).max(axis=-1) > 40))


def test_every_part_of_the_window_is_filled(window: Window) -> None:
    picture = window.picture()
    assert picture.shape == (SIZE[1], SIZE[0], 3)
    for part in (picture[:72], scene_of(picture), picture[-FOOT:, : SIZE[0] - SIDE], picture[72:, -SIDE:]):
        assert 0.01 < np.mean(part.min(axis=-1) < 200) < 0.9
    left, top, right, _ = window.foot.track
    bar = picture[SIZE[1] - FOOT + int(top) + 3, int(left) + 2 : int(right) - 2].astype(int)
    out = np.abs(bar - rgb(OUTWARD).astype(int)).max(axis=-1) < 12
    assert out[int(4.2 / 7 * len(out)) : int(5.9 / 7 * len(out))].mean() > 0.9  # states 5 and 6 push out
    assert out[: int(3.9 / 7 * len(out))].mean() == 0.0


def test_keys_and_slider_move_the_strip(window: Window) -> None:
    window.key("Escape")
    window.key("Home")
    first = window.picture()
    window.key("Right")
    second = window.picture()
    assert window.playback.state == 1
    assert changed(scene_of(first), scene_of(second)) > 0.01
    left, _, right, _ = window.foot.track
    there = (round(left + (right - left) * 6.5 / 7), 40)
    assert window.down((round(left) + 3, 40)) and window.playback.state == 0
    assert window.move(there) and window.playback.state == 6
    assert window.up(there) and not window.move((5, 5))
    assert window.playback.state == 6 and "jam" in window.playback.names
    grip = window.picture()[-45, there[0] - 3 : there[0] + 4].astype(int)
    assert np.abs(grip - rgb(INK).astype(int)).max() < 30
    spot = window.foot.trace.place(0, 2)
    assert spot is not None
    window.down((round(spot[0]), FOOT - round(spot[1])))
    assert window.playback.state == 2


def test_colours_and_casings_are_redrawn(window: Window) -> None:
    window.key("End")
    window.key("f")
    pictures = {}
    for key in ("1", "2", "4"):
        window.key(key)
        pictures[key] = scene_of(window.picture())
    assert changed(pictures["1"], pictures["2"]) > 0.01
    assert changed(pictures["1"], pictures["4"]) > 0.01
    window.key("1")
    see_through = scene_of(window.picture())
    window.key("c")
    cut_open = scene_of(window.picture())
    assert changed(see_through, cut_open) > 0.01
    for _ in range(3):
        window.key("c")
    assert changed(see_through, scene_of(window.picture())) < 0.002


def test_a_click_on_the_strip_asks_about_that_point(window: Window) -> None:
    """The pixel of a station far outside, worked out from the camera's own projection."""
    window.key("Escape")
    window.key("Home")
    window.playback.near = False
    window.fit()
    solid = window.stages[0].solid(0)
    above, _ = solid.across_at(70.0)
    renderer = window.plotter.renderers[0]
    renderer.SetWorldPoint(*above[9], 1.0)
    renderer.WorldToDisplay()
    x, y, _ = renderer.GetDisplayPoint()
    at = (round(x), round(y))
    window.down(at)
    window.up(at)
    assert window.playback.probe is not None
    assert window.playback.probe[0] == pytest.approx(70.0, abs=1.5)
    window.down((30, SIZE[1] - 90))
    window.up((30, SIZE[1] - 90))
    assert "no strip" in window.playback.message


def test_the_softest_mode_sways_the_strip() -> None:
    result = cycle()
    shot = result.snapshots[3]
    push = np.zeros((*shot.height.shape, 3))
    push[..., 1] = np.linspace(0.0, 1.0, shot.station.size)[:, None]
    result = replace(
        result, snapshots=(*result.snapshots[:3], replace(shot, mode=push), *result.snapshots[4:])
    )
    window = Window([result], [None], SIZE, hidden=True)
    try:
        window.playback.go(3)
        window.key("m")
        points = []
        for _ in range(4):
            window.beat()
            points.append(np.array(window.stages[0].solid_points()))
        assert np.ptp([part[:, 1].max() for part in points]) > 0.5
    finally:
        window.plotter.close()


def test_two_runs_stand_side_by_side_with_one_camera_and_one_scale() -> None:
    window = Window([cycle(), made_results.deployed()], [None, None], SIZE, hidden=True)
    try:
        first, second = window.plotter.renderers[:2]
        assert first.camera is second.camera
        assert window.stages[0].scales == window.stages[1].scales
        window.playback.go(3)
        assert window.states[1] == 2  # the other run wound in as far
        window.refresh()
        scene = scene_of(window.picture())
        halves = scene[:, : scene.shape[1] // 2], scene[:, scene.shape[1] // 2 :]
        assert all(np.mean(half.min(axis=-1) < 200) > 0.02 for half in halves)
    finally:
        window.plotter.close()


def test_a_smaller_window_is_laid_out_anew(window: Window) -> None:
    window.lay_out((900, 620))
    try:
        assert window.layout.side == (900 - SIDE, 72, 900, 620)
        assert window.foot.width == 900 - SIDE
        assert window.foot.track[2] < 900 - SIDE
    finally:
        window.lay_out(SIZE)


# ---- films -------------------------------------------------------------------------------------------------


def test_frames_show_strip_numbers_and_a_mark_that_moves() -> None:
    result = cycle()
    made = list(frames([result], [None], "strain"))
    assert len(made) == len(result.snapshots)
    assert {picture.shape for picture, _ in made} == {(72 + SCENE + ROW + CURVE, WIDTH, 3)}
    strips = [picture[72 : 72 + SCENE] for picture, _ in made]
    assert all(np.mean(part.min(axis=-1) < 200) > 0.03 for part in strips)
    assert all(changed(a, b) > 0.005 for a, b in itertools.pairwise(strips))
    curves = [picture[-CURVE:] for picture, _ in made]
    # the mark is a dot of 6.5 pixels' radius
    assert all(changed(a, b) * CURVE * WIDTH > 100 for a, b in itertools.pairwise(curves))
    seconds = [lasts for _, lasts in made]
    assert seconds[6] > 2.0  # it rests on the jam, which is also its end
    assert max(seconds[:6]) < 0.2


def test_a_gif_has_all_moments_and_appears_whole(tmp_path: Path) -> None:
    notes: list[float] = []
    file = write_film([cycle()], [None], tmp_path / "a.gif", "contact", lambda share, _: notes.append(share))
    assert notes == pytest.approx([(k + 1) / 7 for k in range(7)])
    with Image.open(file) as film:
        assert film.n_frames == 7  # type: ignore[attr-defined]
        first = np.asarray(film.convert("RGB"))
        film.seek(3)
        assert changed(first, np.asarray(film.convert("RGB"))) > 0.005
    assert list(tmp_path.iterdir()) == [file]


def test_an_mp4_or_one_sentence_about_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", None)
    with pytest.raises(MissingLibrary, match=r"pip install 'pushpast\[film\]'; --gif FILE works without"):
        write_film([cycle()], [None], tmp_path / "a.mp4", "strain", lambda *_: None)
    monkeypatch.undo()
    pytest.importorskip("imageio_ffmpeg")
    file = write_film([cycle()], [None], tmp_path / "a.mp4", "strain", lambda *_: None)
    assert file.read_bytes()[4:8] == b"ftyp"  # ISO/IEC 14496-12: a file begins with its type box
    assert list(tmp_path.iterdir()) == [file]


# ---- the options of the command ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (ViewOptions(png=Path("a.jpg")), r"--png a\.jpg: the name of the file must end in \.png"),
        (ViewOptions(gif=Path("a.mp4")), r"must end in \.gif"),
        (ViewOptions(gif=Path("a.gif"), at="jam"), "use it with --png"),
        (ViewOptions(png=Path("a.png"), colour="heat"), "no colouring named 'heat'"),
        (ViewOptions(png=Path("a.png"), at="noon"), "no state called 'noon'"),
        (ViewOptions(png=Path("nowhere/a.png")), r"nowhere/a\.png cannot be written"),
    ],
)
def test_wishes_that_cannot_be_met(
    options: ViewOptions, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write(cycle(), tmp_path / "run")
    with pytest.raises(InputError, match=message):
        view_runs([tmp_path / "run"], [tmp_path / "gone.toml"], options, lambda *_: None)
    assert [file.name for file in tmp_path.iterdir()] == ["run"]


def test_a_case_that_is_gone_is_said_and_costs_only_its_layers(tmp_path: Path) -> None:
    folder = write(cycle(), tmp_path / cycle().case_name)
    options = ViewOptions(png=tmp_path / "a.png", at="fully out")
    notes = view_runs([folder], [tmp_path / "gone.toml"], options, lambda *_: None)
    assert "layers and intended surface are left out" in notes[0]
    assert notes[1] == f"wrote {tmp_path / 'a.png'}"
    assert np.asarray(Image.open(tmp_path / "a.png")).min() < 100


def test_a_case_kept_with_the_run_serves_and_a_changed_one_does_not(tmp_path: Path) -> None:
    from fem.case.definition import read_case
    from fem.case.template import starter

    file = tmp_path / "boom.toml"
    file.write_text(starter("boom"))
    digest = {"design_digest": read_case(file).design_digest}
    run = replace(cycle(), provenance=digest)
    assert strip_of(run, file)[0] is not None
    changed_case = tmp_path / "other.toml"
    changed_case.write_text('extends = "boom.toml"\n[axle]\nradius = 3.9\n')
    strip, note = strip_of(run, changed_case)
    assert strip is None and "has changed since this run" in note
    folder = write(run, tmp_path / run.case_name)
    (folder / "case.toml").write_text(file.read_text())
    options = ViewOptions(png=tmp_path / "a.png", at="fully out", colour="layers")
    notes = view_runs([folder], [changed_case], options, lambda *_: None)
    assert notes == (f"wrote {tmp_path / 'a.png'}",)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere there is always a display")
def test_without_a_display_the_ways_without_one_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(MissingLibrary, match=r"no display .DISPLAY is not set.; without one use --png FILE"):
        need_display()
    monkeypatch.setenv("DISPLAY", ":4711")
    with pytest.raises(MissingLibrary, match="the display :4711 does not answer"):
        need_display()
