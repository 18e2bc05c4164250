"""A run as a film, without a display: the strip from afar and in its casing, numbers, and its curve with a
moving mark.

A GIF needs nothing more; MP4 needs the extra `film` of the package.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from fem.core.atomic import whole_file
from fem.core.errors import MissingLibrary
from fem.results.result import Result
from fem.results.snapshot import PHASE_WORDS, PHASES
from fem.view.camera import aim, new_plotter
from fem.view.canvas import Canvas, colour_scale, cut_short
from fem.view.colour import Scale, materials
from fem.view.graphics import need_graphics
from fem.view.palette import ALARM, FAINT, INK, LINES, SOFT
from fem.view.playback import Playback, state_like
from fem.view.scene import Stage, extent, same_scales
from fem.view.side_panel import Picture, heading, numbers
from fem.view.torque_trace import Trace

if TYPE_CHECKING:
    from fem.design.strip import Strip

WIDTH, SCENE, ROW, CURVE = 960, 372, 84, 192
"""Pixels: a frame, and the heights of strip, numbers and curve below the heading."""
AFAR = 0.42
"""Share of the width for the view from afar, where there is a casing to look into as well."""
RATE = 10
"""States per second."""
HOLD, END = 1.5, 1.2
"""Seconds the film rests on a jam, and on its last state."""
LEFT_OUT = ("axle wound", "push at the slot")
"""Numbers of a state that a frame has no room for."""
Progress = Callable[[float, str], None]


def frames(
    results: Sequence[Result], strips: Sequence[Strip | None], colour: str
) -> Iterator[tuple[Picture, float]]:
    """Every state of the first run as a frame (rows, columns, 3), with the seconds it is to be seen."""
    need_graphics()
    playback = Playback(results[0], colour=colour)
    playback.probe = None
    whole, near = extent(results[0].snapshots, results[0].intended_path)
    splits = (
        [0.0, AFAR, 1.0]
        if len(near) and len(results) == 1
        else np.linspace(0.0, 1.0, len(results) + 1).tolist()
    )
    shares = [(a, 0.0, b, 1.0) for a, b in itertools.pairwise(splits)]
    plotter = new_plotter((WIDTH, SCENE), shares, hidden=True)
    try:
        views = [tuple(range(len(shares)))] if len(results) == 1 else [(k,) for k in range(len(results))]
        stages = [
            Stage(plotter, result, strip, seen, numbered=True)
            for result, strip, seen in zip(results, strips, views, strict=True)
        ]
        same_scales(stages)
        for number, (left, _, right, _) in enumerate(shares):
            points = near if number == 1 and len(results) == 1 else whole
            aim(plotter.renderers[number], points, (right - left) * WIDTH / SCENE)
        head = heading(results, WIDTH)
        trace = Trace(results, (12, 4, WIDTH - 12, CURVE - 4))
        curve = Canvas((WIDTH, CURVE))
        trace.draw(curve)
        base = curve.picture()
        for state in range(len(results[0].snapshots)):
            playback.go(state)
            states = [state, *(state_like(result, playback.shot) for result in results[1:])]
            for stage, at in zip(stages, states, strict=True):
                stage.show(playback, at)
            plotter.renderers[0].ResetCameraClippingRange()
            plotter.render()
            strip_picture = np.asarray(plotter.screenshot(return_img=True), dtype=np.uint8)
            below = Canvas.over(base)
            trace.mark(below, states)
            parts = (head, strip_picture, _row(playback, stages, states), below.picture())
            pause = HOLD if "jam" in playback.names.split("; ") else 0.0
            pause += END if state == len(results[0].snapshots) - 1 else 0.0
            yield np.vstack(parts), 1.0 / RATE + pause
    finally:
        plotter.close()


def _row(playback: Playback, stages: Sequence[Stage], states: Sequence[int]) -> Picture:
    """What happens and its numbers, and what the colours mean."""
    canvas = Canvas((WIDTH, ROW))
    canvas.line([(0, 0), (WIDTH, 0)], FAINT, 1)
    canvas.line([(0, ROW - 1), (WIDTH, ROW - 1)], FAINT, 1)
    phase = PHASES[playback.shot.phase]
    box = canvas.text((16, 8), PHASE_WORDS[phase], 16, LINES[phase].colour, bold=True)
    room = WIDTH * 0.62
    words = cut_short(canvas, playback.names, 16, room - box[2] - 20, True)
    canvas.text((box[2] + 16, 8), words, 16, ALARM if "jam" in words else INK, bold=True)
    for line, (stage, state) in enumerate(zip(stages, states, strict=True)):
        rows = [f"{name} {value}" for name, value in numbers(stage.result, state) if name not in LEFT_OUT]
        if len(stages) == 1:
            text = "\n".join(",  ".join(rows[k : k + 3]) for k in (0, 3))
        else:  # the first two say where it is and what that takes
            text = cut_short(canvas, f"{stage.result.case_name}: {',  '.join(rows[:2])}", 14, room - 16)
        canvas.text((16, 34 + 21 * line), text, 14)
    scale = stages[0].scales.get(playback.colour)
    x = room + 18
    if scale is not None:
        bare_scale = Scale("", "", scale.low, scale.high, scale.signed, scale.falling, scale.limit)
        title = f"{scale.title} [{scale.unit}]"
        canvas.text((x, 6), cut_short(canvas, title, 12, WIDTH - 16 - x), 12)
        colour_scale(canvas, (x, 4), 240, bare_scale, 12)
        return canvas.picture()
    zones = stages[0].zones
    for line, (name, shade) in enumerate(zip(zones.materials[:3], materials(3), strict=False)):
        fill: Any = tuple(int(part) for part in shade)
        y = 10 + 22 * line
        canvas.area([(x, y), (x + 22, y), (x + 22, y + 15), (x, y + 15)], fill, SOFT)
        canvas.text((x + 30, 9 + 22 * line), name, 13)
    return canvas.picture()


def write_film(
    results: Sequence[Result], strips: Sequence[Strip | None], file: Path, colour: str, tell: Progress
) -> Path:
    """Write the film as .gif or .mp4, by the file's ending; it appears whole or not at all. Returns the file.

    Raises MissingLibrary without graphics, or for MP4 without its extra; OSError if the file cannot be
    written.
    """
    states = len(results[0].snapshots)

    def with_progress() -> Iterator[tuple[Picture, float]]:
        for number, frame in enumerate(frames(results, strips, colour), 1):
            tell(number / states, f"drawn {number} of {states} states")
            yield frame

    with whole_file(file) as unfinished:
        (_mp4 if file.suffix == ".mp4" else _gif)(with_progress, unfinished)
    return file


def _gif(made: Callable[[], Iterator[tuple[Picture, float]]], file: Path) -> None:
    """One palette for all frames, or colours would flicker."""
    pictures, seconds = zip(*made(), strict=True)
    spread = [pictures[k] for k in np.linspace(0, len(pictures) - 1, min(len(pictures), 8)).astype(int)]
    sample = Image.fromarray(np.vstack([picture[::2, ::2] for picture in spread]))
    palette = sample.quantize(255, method=Image.Quantize.MEDIANCUT)
    shades = np.array(palette.getpalette(), dtype=int).reshape(-1, 3)
    shades[(shades > 247).all(axis=1)] = 255  # paper stays white
    palette.putpalette(shades.ravel().tolist())
    images = [
        Image.fromarray(picture).quantize(palette=palette, dither=Image.Dither.NONE) for picture in pictures
    ]
    lasts = [round(1000 * second) for second in seconds]
    images[0].save(file, save_all=True, append_images=images[1:], duration=lasts, loop=0, optimize=False)


def _mp4(made: Callable[[], Iterator[tuple[Picture, float]]], file: Path) -> None:
    try:
        import imageio_ffmpeg
    except ImportError as problem:
        raise MissingLibrary(
            "MP4 needs a library more: pip install 'pushpast[film]'; --gif FILE works without it"
        ) from problem
    writer: Any = None
    try:
        for picture, seconds in made():
            if writer is None:
                size = (picture.shape[1], picture.shape[0])
                writer = imageio_ffmpeg.write_frames(
                    str(file),
                    size,
                    fps=RATE,
                    codec="libx264",
                    quality=8,
                    macro_block_size=4,
                    ffmpeg_log_level="error",
                )
                writer.send(None)
            for _ in range(max(1, round(seconds * RATE))):
                writer.send(np.ascontiguousarray(picture))
    finally:
        if writer is not None:
            writer.close()
