"""A sheet of paper for pictures: where things fall on it, colours, words, and labels that find a free place.

Labels look for white paper near the thing they name, never cover one another and never leave the sheet; what
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

from fem.equilibrium import Array

INK, SOFT, FAINT, ALARM, PAPER = "#22313a", "#5f6d75", "#d5dade", "#a3123f", "#ffffff"
OVER = "#ffb11a"
UNKNOWN = "#bebebe"
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
    """A parallel view: centre (3,) mm, mm per pixel, size in pixels, upper left corner on the sheet."""

    centre: Array
    scale: float
    size: tuple[int, int]
    corner: tuple[int, int]

    def pixels(self, points: Array) -> Array:
        """(k, 3) mm -> (k, 2) pixels on the sheet."""
        seen = (np.atleast_2d(points) - self.centre) @ ACROSS / self.scale
        return np.asarray(self.corner + np.array(self.size) / 2 + seen * [1.0, -1.0])

    @property
    def box(self) -> Box:
        """Left, top, right, bottom on the sheet."""
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


def ramp(count: int = 256) -> Array:
    """Colours for 0 ... 1 from pale to dark, (count, 3) sRGB in 0 ... 1.

    A path in the OKLab space (Ottosson 2020) from a pale sea green over blue to a dark violet, walked at
    constant colour difference. Lightness falls all the way: it reads in grey and with any colour vision.
    """
    t = np.linspace(0.0, 1.0, 2001)
    light, hue = 0.955 - 0.70 * t, np.radians(185.0 + 105.0 * t)
    chroma = 0.03 + 0.085 * np.sin(math.pi * (0.08 + 0.80 * t)) ** 1.3
    lab = np.stack([light, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    walked = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(lab, axis=0), axis=1))])
    at = np.linspace(0.0, walked[-1], count)
    lab = np.stack([np.interp(at, walked, lab[:, k]) for k in range(3)], axis=1)
    cone = lab @ np.array(
        [
            [1, 1, 1],
            [0.3963377774, -0.1055613458, -0.0894841775],
            [0.2158037573, -0.0638541728, -1.2914855480],
        ]
    )
    linear = cone**3 @ np.array(
        [
            [4.0767416621, -1.2684380046, -0.0041960863],
            [-3.3077115913, 2.6097574011, -0.7034186147],
            [0.2309699292, -0.3413193965, 1.7076147010],
        ]
    )
    linear = np.clip(linear, 0.0, 1.0)  # then the transfer curve of sRGB, IEC 61966-2-1
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


_RAMP = np.vstack(
    [ramp() * 255, *([[int(name[k : k + 2], 16) for k in (1, 3, 5)]] for name in (OVER, UNKNOWN))]
)


def shade(share: Array) -> NDArray[np.uint8]:
    """Colours of shares, (...) -> (..., 3) bytes; above 1 the warning colour, nan grey."""
    place = np.clip(np.nan_to_num(share) * 255, 0, 255).astype(int)
    place = np.where(np.isnan(share), 257, np.where(share > 1.0, 256, place))
    return np.asarray(_RAMP[place].round(), dtype=np.uint8)


class Sheet:
    """White paper `size` (width, height) pixels; drawn twice as fine and reduced at the end."""

    FINE = 2

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self._image = Image.new("RGB", (size[0] * self.FINE, size[1] * self.FINE), PAPER)
        self._pen = ImageDraw.Draw(self._image)

    def save(self, file: Path) -> Path:
        """Write the sheet as PNG, whole or not at all; returns `file`."""
        partial = file.with_name(f".{file.name}.partial")
        try:
            self._image.reduce(self.FINE).save(partial, format="PNG")
            return partial.replace(file)
        finally:
            partial.unlink(missing_ok=True)

    def paste(self, picture: NDArray[np.uint8], corner: tuple[int, int]) -> None:
        """Lay a picture (rows, columns, 3), `FINE` times as fine as the sheet, upper left at `corner`."""
        self._image.paste(Image.fromarray(picture), (corner[0] * self.FINE, corner[1] * self.FINE))

    def measure(self, words: str, size: float, bold: bool = False) -> tuple[float, float]:
        """Width and height [pixels] that `words` (may have several lines) will take."""
        box = self._pen.multiline_textbbox(
            (0, 0), words, font=_font(size * self.FINE, bold), spacing=0.35 * size * self.FINE
        )
        lines = words.count("\n") + 1
        return (box[2] - box[0]) / self.FINE, 1.35 * size * lines

    def text(
        self, place: tuple[float, float], words: str, size: float, colour: str = INK, bold: bool = False
    ) -> Box:
        """Write words with their upper left at `place`; returns the box they take."""
        at = (place[0] * self.FINE, place[1] * self.FINE)
        self._pen.multiline_text(
            at, words, fill=colour, font=_font(size * self.FINE, bold), spacing=0.35 * size * self.FINE
        )
        width, height = self.measure(words, size, bold)
        return place[0], place[1], place[0] + width, place[1] + height

    def line(self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.5) -> None:
        """A line through points."""
        fine = [(x * self.FINE, y * self.FINE) for x, y in points]
        self._pen.line(fine, fill=colour, width=round(width * self.FINE), joint="curve")

    def ring(self, centre: tuple[float, float], radius: float, colour: str, width: float = 3.0) -> None:
        """A circle."""
        x, y, r = centre[0] * self.FINE, centre[1] * self.FINE, radius * self.FINE
        self._pen.ellipse((x - r, y - r, x + r, y + r), outline=colour, width=round(width * self.FINE))

    def frame(self, box: Box, colour: str, width: float = 1.5, fill: str | None = None) -> None:
        """A rectangle."""
        fine = tuple(round(value * self.FINE) for value in box)
        self._pen.rectangle(fine, outline=colour, fill=fill, width=round(width * self.FINE))

    def occupied(self, box: Box) -> Occupied:
        """What is drawn within a box now, as something labels can ask."""
        fine = self._image.crop(tuple(round(value * self.FINE) for value in box))  # type: ignore[arg-type]
        return Occupied(np.asarray(fine.reduce(self.FINE)).min(axis=-1) < PALE, box)


class Occupied:
    """Which pixels of a box are taken."""

    def __init__(self, taken: NDArray[np.bool_], box: Box) -> None:
        self.box = box
        self._shape = taken.shape
        self._sum = np.pad(np.cumsum(np.cumsum(taken, axis=0, dtype=np.int64), axis=1), ((1, 0), (1, 0)))
        self._boxes: list[Box] = []

    def covered(self, box: Box) -> float:
        """Taken pixels under `box`; infinite if it leaves the sheet or meets a box claimed before."""
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
class Hand:
    """How words are written."""

    size: float = 17.0
    colour: str = SOFT
    bold: bool = False


def label(
    sheet: Sheet,
    taken: Occupied,
    anchor: tuple[float, float],
    words: str,
    hand: Hand = Hand(),
    start: float = 0.0,
) -> Box | None:
    """Write words at a free place near `anchor` with a line that begins `start` pixels off it.

    Returns the box of the words, None if none was free.
    """
    box = taken.place(anchor, sheet.measure(words, hand.size, hand.bold), reach=25 * hand.size)
    if box is None:
        return None
    x = min(max(anchor[0], box[0] - 4), box[2] + 4)
    y = min(max(anchor[1], box[1] + 1), box[3] + 1)
    away = math.hypot(x - anchor[0], y - anchor[1])
    if away > start + 3:
        part = start / away
        begin = (anchor[0] + (x - anchor[0]) * part, anchor[1] + (y - anchor[1]) * part)
        width = 1.8 if hand.bold else 1.2
        sheet.line([begin, (x, y)], PAPER, width + 1.6)
        sheet.line([begin, (x, y)], hand.colour, width)
    sheet.text((box[0], box[1]), words, hand.size, hand.colour, hand.bold)
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


def wrapped(sheet: Sheet, words: str, size: float, width: float, bold: bool = False) -> str:
    """Words broken into lines no wider than `width` pixels (a single longer word stays whole)."""
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and sheet.measure(longer, size, bold)[0] > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return "\n".join(lines)


def colour_scale(sheet: Sheet, place: tuple[float, float], width: int, title: str) -> float:
    """The scale of `shade` with its title; returns where it ends on the right."""
    x, y, high = place[0], place[1] + 34, 20
    sheet.text(place, title, 19)
    row = shade(np.linspace(0.0, 1.0, width * sheet.FINE))
    sheet.paste(np.repeat(row[None], high * sheet.FINE, axis=0), (int(x), int(y)))
    sheet.frame((x, y, x + width, y + high), SOFT, 1)
    sheet.frame((x + width + 20, y, x + width + 64, y + high), SOFT, 1, fill=OVER)
    for share in (0, 25, 50, 75, 100):
        at = x + width * share / 100
        sheet.line([(at, y + high), (at, y + high + 5)], SOFT)
        sheet.text((at - sheet.measure(f"{share}", 16)[0] / 2, y + high + 7), f"{share}", 16)
    sheet.text((x + width + 24, y + high + 7), "over", 16)
    return x + width + 64
