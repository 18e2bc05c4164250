"""A page for pictures: where things fall on it, colours, words, and labels that find a free place.

Labels look for white paper near the thing they name, never cover one another and never leave the canvas; what
cannot be placed is left out rather than laid over something else.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fem.core.atomic import whole_file
from fem.core.plain_text import visible
from fem.core.term import Array
from fem.view.colour import Scale
from fem.view.palette import INK, OVER, PAPER, SOFT

PALE = 222
"""Least brightness of paper that words may stand on: white and the palest see-through walls."""

Box = tuple[float, float, float, float]
"""Left, top, right, bottom in pixels."""


_TURN, _TILT = math.radians(-20.0), math.radians(22.0)
RIGHT = np.array([math.cos(_TURN), 0.0, -math.sin(_TURN)])
BACK = np.array([math.sin(_TURN) * math.cos(_TILT), math.sin(_TILT), math.cos(_TURN) * math.cos(_TILT)])
UP = np.cross(BACK, RIGHT)
ACROSS = np.stack([RIGHT, UP], axis=1)
"""Where every picture is looked at from: a little from the left and from above."""


@dataclass(frozen=True, eq=False)
class Sight:
    """A parallel view: centre (3,) mm, mm per pixel, size in pixels, upper left corner on the canvas."""

    centre: Array
    scale: float
    size: tuple[int, int]
    corner: tuple[int, int]

    def pixels(self, points: Array) -> Array:
        """(k, 3) mm -> (k, 2) pixels on the canvas."""
        seen = (np.atleast_2d(points) - self.centre) @ ACROSS / self.scale
        return np.asarray(self.corner + np.array(self.size) / 2 + seen * [1.0, -1.0])

    @property
    def box(self) -> Box:
        """Left, top, right, bottom on the canvas."""
        (left, top), (width, height) = self.corner, self.size
        return left, top, left + width, top + height

    def holds(self, point: Array) -> bool:
        """Whether a point (3,) lies within the view."""
        (x, y), (left, top, right, bottom) = self.pixels(point)[0], self.box
        return bool(left < x < right and top < y < bottom)

    @classmethod
    def on(cls, points: Array, size: tuple[int, int], corner: tuple[int, int]) -> Sight:
        """The sight that (k, 3) points fill but for a margin of 4 % on the tighter side."""
        low, high = (points @ ACROSS).min(axis=0), (points @ ACROSS).max(axis=0)
        scale = float(np.max((high - low) / (0.92 * np.array(size))))
        return cls(ACROSS @ (low + high) / 2, scale, size, corner)


class Canvas:
    """White paper `size` (width, height) pixels; drawn `fine` times as fine and reduced at the end."""

    FINE = 2

    def __init__(self, size: tuple[int, int], fine: int = FINE) -> None:
        self.size, self.fine = size, fine
        self._image = Image.new("RGB", (size[0] * self.fine, size[1] * self.fine), PAPER)
        self._pen = ImageDraw.Draw(self._image)

    def save(self, file: Path) -> Path:
        """Write the canvas as PNG, whole or not at all; returns `file`."""
        with whole_file(file) as unfinished:
            self._image.reduce(self.fine).save(unfinished, format="PNG")
        return file

    @classmethod
    def over(cls, picture: NDArray[np.uint8]) -> Canvas:
        """A canvas that begins with a picture (rows, columns, 3) and is drawn no finer than it."""
        canvas = cls((picture.shape[1], picture.shape[0]), 1)
        canvas.paste(picture, (0, 0))
        return canvas

    def picture(self) -> NDArray[np.uint8]:
        """What is on the canvas, (rows, columns, 3)."""
        return np.asarray(self._image.reduce(self.fine) if self.fine > 1 else self._image)

    def paste(self, picture: NDArray[np.uint8], corner: tuple[int, int]) -> None:
        """Lay a picture (rows, columns, 3), `fine` times as fine as the canvas, upper left at `corner`."""
        self._image.paste(Image.fromarray(picture), (corner[0] * self.fine, corner[1] * self.fine))

    def measure(self, words: str, size: float, bold: bool = False) -> tuple[float, float]:
        """Width and height [pixels] that `words` (may have several lines) will take."""
        words = visible(words, lines=True)
        box = self._pen.multiline_textbbox(
            (0, 0), words, font=_font(size * self.fine, bold), spacing=0.35 * size * self.fine
        )
        lines = words.count("\n") + 1
        return (box[2] - box[0]) / self.fine, 1.35 * size * lines

    def text(
        self, place: tuple[float, float], words: str, size: float, colour: str = INK, bold: bool = False
    ) -> Box:
        """Write words with their upper left at `place`; returns the box they take."""
        at = (place[0] * self.fine, place[1] * self.fine)
        words = visible(words, lines=True)
        self._pen.multiline_text(
            at, words, fill=colour, font=_font(size * self.fine, bold), spacing=0.35 * size * self.fine
        )
        width, height = self.measure(words, size, bold)
        return place[0], place[1], place[0] + width, place[1] + height

    def line(self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.5) -> None:
        """A line through points."""
        fine = [(x * self.fine, y * self.fine) for x, y in points]
        self._pen.line(fine, fill=colour, width=round(width * self.fine), joint="curve")

    def ring(self, centre: tuple[float, float], radius: float, colour: str, width: float = 3.0) -> None:
        """A circle."""
        x, y, r = centre[0] * self.fine, centre[1] * self.fine, radius * self.fine
        self._pen.ellipse((x - r, y - r, x + r, y + r), outline=colour, width=round(width * self.fine))

    def dashed(
        self, points: Sequence[tuple[float, float]], colour: str, width: float, dash: float = 6.0
    ) -> None:
        """A line through points, in dashes of `dash` pixels with gaps of two thirds of that."""
        path = np.array(points, dtype=float)
        walked = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        for start in np.arange(0.0, walked[-1], dash / 0.6):
            inner = walked[(walked > start) & (walked < start + dash)]
            at = np.array([start, *inner, min(start + dash, walked[-1])])
            x, y = (np.interp(at, walked, path[:, k]).tolist() for k in (0, 1))
            self.line(list(zip(x, y, strict=True)), colour, width)

    def area(
        self, points: Sequence[tuple[float, float]], fill: str | tuple[int, ...], rim: str | None = None
    ) -> None:
        """A filled polygon."""
        fine = [(x * self.fine, y * self.fine) for x, y in points]
        self._pen.polygon(fine, fill=fill, outline=rim, width=self.fine)

    def dot(self, centre: tuple[float, float], radius: float, fill: str, rim: str = PAPER) -> None:
        """A filled circle with a rim."""
        x, y, r = centre[0] * self.fine, centre[1] * self.fine, radius * self.fine
        self._pen.ellipse((x - r, y - r, x + r, y + r), fill=fill, outline=rim, width=round(1.5 * self.fine))

    def frame(self, box: Box, colour: str, width: float = 1.5, fill: str | None = None) -> None:
        """A rectangle."""
        fine = tuple(round(value * self.fine) for value in box)
        self._pen.rectangle(fine, outline=colour, fill=fill, width=round(width * self.fine))

    def occupied(self, box: Box) -> Occupied:
        """What is drawn within a box now, as something labels can ask."""
        fine = self._image.crop(tuple(round(value * self.fine) for value in box))  # type: ignore[arg-type]
        return Occupied(np.asarray(fine.reduce(self.fine)).min(axis=-1) < PALE, box)


class Occupied:
    """Which pixels of a box are taken."""

    def __init__(self, taken: NDArray[np.bool_], box: Box) -> None:
        self.box = box
        self._shape = taken.shape
        self._sum = np.pad(np.cumsum(np.cumsum(taken, axis=0, dtype=np.int64), axis=1), ((1, 0), (1, 0)))
        self._boxes: list[Box] = []

    def covered(self, box: Box) -> float:
        """Taken pixels under `box`; infinite if it leaves the canvas or meets a box claimed before."""
        left, top, right, bottom = box
        if left < self.box[0] or top < self.box[1] or right > self.box[2] or bottom > self.box[3]:
            return math.inf
        if any(left < b[2] and b[0] < right and top < b[3] and b[1] < bottom for b in self._boxes):
            return math.inf
        x0, x1 = (int(np.clip(x - self.box[0], 0, self._shape[1])) for x in (left, right))
        y0, y1 = (int(np.clip(y - self.box[1], 0, self._shape[0])) for y in (top, bottom))
        return float(self._sum[y1, x1] - self._sum[y0, x1] - self._sum[y1, x0] + self._sum[y0, x0])

    def claim(self, box: Box) -> None:
        """Keep a box for what will be written there."""
        self._boxes.append(box)

    def place(self, anchor: tuple[float, float], size: tuple[float, float], reach: float) -> Box | None:
        """Claim the nearest free box of `size` within `reach` of `anchor`; None if there is none."""
        best, found = math.inf, None
        for distance in np.arange(24.0, reach, 14.0):
            for angle in np.linspace(0.0, 2 * math.pi, 24, endpoint=False):
                x, y = anchor[0] + distance * math.cos(angle), anchor[1] - distance * math.sin(angle)
                # the box hangs on its nearest point, so that the leader line is as long as `distance`
                left = x - size[0] * (0.5 - 0.5 * math.cos(angle))
                top = y - size[1] * (0.5 + 0.5 * math.sin(angle))
                box = (left, top, left + size[0], top + size[1])
                cost = self.covered((box[0] - 12, box[1] - 5, box[2] + 12, box[3] + 5)) + 0.5 * distance
                if cost < best:
                    best, found = cost, box
            if best < 0.5 * distance + 1:
                break
        if found is None or best > 0.02 * size[0] * size[1] + 0.5 * reach:
            return None
        self.claim(found)
        return found


@dataclass(frozen=True)
class TextStyle:
    """How words are written."""

    size: float = 17.0
    colour: str = SOFT
    bold: bool = False


def label(
    canvas: Canvas,
    taken: Occupied,
    anchor: tuple[float, float],
    words: str,
    style: TextStyle = TextStyle(),
    start: float = 0.0,
) -> Box | None:
    """Write words at a free place near `anchor` with a line that begins `start` pixels off it.

    Returns the box of the words, None if none was free.
    """
    box = taken.place(anchor, canvas.measure(words, style.size, style.bold), reach=25 * style.size)
    if box is None:
        return None
    x = min(max(anchor[0], box[0] - 4), box[2] + 4)
    y = min(max(anchor[1], box[1] + 1), box[3] + 1)
    away = math.hypot(x - anchor[0], y - anchor[1])
    if away > start + 3:
        part = start / away
        begin = (anchor[0] + (x - anchor[0]) * part, anchor[1] + (y - anchor[1]) * part)
        width = 1.8 if style.bold else 1.2
        canvas.line([begin, (x, y)], PAPER, width + 1.6)
        canvas.line([begin, (x, y)], style.colour, width)
        for share in np.linspace(0.0, 1.0, max(2, int(away / 8))):  # nothing else is written on the line
            at = (begin[0] + (x - begin[0]) * share, begin[1] + (y - begin[1]) * share)
            taken.claim((at[0] - 3, at[1] - 3, at[0] + 3, at[1] + 3))
    canvas.text((box[0], box[1]), words, style.size, style.colour, style.bold)
    return box


_FONTS: dict[tuple[int, bool], ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}


def _font(size: float, bold: bool) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The face that matplotlib brings along, so that all pictures match; else the one Pillow brings."""
    key = (round(size), bold)
    if key not in _FONTS:
        spec = importlib.util.find_spec("matplotlib")
        folder = Path(spec.origin).parent / "mpl-data/fonts/ttf" if spec and spec.origin else Path()
        file = folder / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
        _FONTS[key] = ImageFont.truetype(file, key[0]) if file.is_file() else ImageFont.load_default(key[0])
    return _FONTS[key]


def cut_short(canvas: Canvas, words: str, size: float, width: float, bold: bool = False) -> str:
    """Words on one line no wider than `width` pixels, with an ellipsis where they were cut."""
    if canvas.measure(words, size, bold)[0] <= width:
        return words
    while words and canvas.measure(words + "\N{HORIZONTAL ELLIPSIS}", size, bold)[0] > width:
        words = words[:-1]
    return words.rstrip(" ,;:") + "\N{HORIZONTAL ELLIPSIS}"


def wrapped(canvas: Canvas, words: str, size: float, width: float, bold: bool = False) -> str:
    """Words broken into lines no wider than `width` pixels (a single longer word stays whole)."""
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and canvas.measure(longer, size, bold)[0] > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return "\n".join(lines)


def colour_scale(
    canvas: Canvas, place: tuple[float, float], width: int, scale: Scale, size: float = 19.0
) -> float:
    """A scale with its title and unit, `size` its letters; returns where it ends on the right.

    It is 4.3 letters high.
    """
    x, y, high, small = place[0], round(place[1] + 1.8 * size), round(1.05 * size), 0.84 * size
    unit = f" [{scale.unit}]" if scale.unit else ""
    canvas.text(place, scale.title + unit, size)
    row = scale.colours(np.linspace(scale.low, scale.high, width * canvas.fine))
    canvas.paste(np.repeat(row[None], high * canvas.fine, axis=0), (int(x), int(y)))
    canvas.frame((x, y, x + width, y + high), SOFT, 1)
    for number, (_, words) in enumerate(scale.ticks()):
        at = x + width * number / 4
        canvas.line([(at, y + high), (at, y + high + 5)], SOFT)
        left = (
            max(at - canvas.measure(words, small)[0] / 2, x)
            if number == 0
            else at - canvas.measure(words, small)[0] / 2
        )
        canvas.text((left, y + high + 7), words, small)
    if not scale.limit:
        return x + width
    canvas.frame((x + width + 20, y, x + width + 64, y + high), SOFT, 1, fill=OVER)
    canvas.text((x + width + 24, y + high + 7), "over", small)
    return x + width + 64
