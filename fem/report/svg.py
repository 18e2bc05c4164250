"""Line drawings as SVG text that stands within a page: few strokes, words that stay words, colours by name.

Every colour is written twice: as an attribute, which any reader of SVG understands, and as a class, which
the page's style sheet overrides where the reader's screen is dark. Lengths are those of the view box; a
drawing is made about as wide as a phone's screen, so that its words stay readable there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape as escape_markup

import numpy as np
from numpy.typing import ArrayLike

from fem.core.plain_text import visible
from fem.view.palette import TONES

WIDE = 400.0
"""Width of the view box of a drawing."""
SIZE = 11.5
"""Height of its words."""


def escape(words: str) -> str:
    """Words as they may stand in a tag or an attribute; XML has no control characters."""
    return escape_markup(visible(words))


def style_sheet() -> str:
    """The colours as rules for a page."""
    light = "".join(f"--{name}:{tone.light};" for name, tone in TONES.items())
    dark = "".join(f"--{name}:{tone.dark};" for name, tone in TONES.items())
    rules = "".join(f".f-{name}{{fill:var(--{name})}}.s-{name}{{stroke:var(--{name})}}" for name in TONES)
    return f":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{rules}"


def number(value: float) -> str:
    """Three digits after the point at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if math.isfinite(value) else "0"


@dataclass(frozen=True)
class Pen:
    """A stroke: tone, width, dashes."""

    tone: str = "ink"
    width: float = 1.2
    dashes: tuple[float, ...] = ()

    def attributes(self) -> str:
        """As written in a tag."""
        dashes = f' stroke-dasharray="{" ".join(map(number, self.dashes))}"' if self.dashes else ""
        return (
            f'stroke="{TONES[self.tone].light}" stroke-width="{number(self.width)}" stroke-linejoin="round"'
            f' stroke-linecap="round"{dashes}'
        )


class Drawing:
    """A drawing under way; `text()` is the finished element. y grows downward."""

    def __init__(self, height: float, title: str, width: float = WIDE) -> None:
        self.width, self.height, self.title = width, height, title
        self._parts: list[str] = []

    def raw(self, part: str) -> None:
        """Append a finished part."""
        self._parts.append(part)

    def path(self, points: ArrayLike, pen: Pen | None = Pen(), fill: str = "", closed: bool = False) -> None:
        """A line through points (k, 2), or the area they enclose."""
        pairs = np.asarray(points, dtype=float).reshape(-1, 2)
        steps = " L".join(f"{number(x)} {number(y)}" for x, y in pairs)
        shut = " Z" if closed or fill else ""
        self._shape("path", f'd="M{steps}{shut}"', pen, fill)

    def circle(
        self, centre: tuple[float, float], radius: float, pen: Pen | None = Pen(), fill: str = ""
    ) -> None:
        """A circle."""
        x, y = centre
        self._shape("circle", f'cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"', pen, fill)

    def box(
        self, corner: tuple[float, float], size: tuple[float, float], pen: Pen | None, fill: str = "",
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """A rectangle, upper left at `corner`."""
        (x, y), (width, height) = corner, size
        where = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
        where += f' fill-opacity="{number(opacity)}"' if opacity < 1.0 else ""
        self._shape("rect", where, pen, fill)

    def _shape(self, tag: str, where: str, pen: Pen | None, fill: str) -> None:
        classes = " ".join([f"f-{fill}"] * bool(fill in TONES) + [f"s-{pen.tone}" for pen in [pen] if pen])
        inside = f'fill="{TONES[fill].light if fill in TONES else fill or "none"}"'
        stroke = pen.attributes() if pen else 'stroke="none"'
        self._parts.append(f'<{tag} class="{classes}" {where} {inside} {stroke}/>')

    def words(
        self, place: tuple[float, float], words: str, tone: str = "ink", anchor: str = "start",
        size: float = SIZE, turn: float = 0.0,
    ) -> None:  # fmt: skip
        """One line of words; anchor: start, middle, end; turn [degrees] anticlockwise."""
        x, y = map(number, place)
        turned = f' transform="rotate({number(-turn)} {x} {y})"' if turn else ""
        self._parts.append(
            f'<text class="f-{tone}" x="{x}" y="{y}" fill="{TONES[tone].light}" font-size="{number(size)}"'
            f' text-anchor="{anchor}"{turned}>{escape(words)}</text>'
        )

    def halo(
        self, place: tuple[float, float], words: str, tone: str = "ink", anchor: str = "start",
        size: float = SIZE,
    ) -> None:  # fmt: skip
        """Words on a rim of paper, readable over lines."""
        x, y = map(number, place)
        self._parts.append(
            f'<text class="s-paper" x="{x}" y="{y}" font-size="{number(size)}" text-anchor="{anchor}"'
            f' fill="none" {Pen("paper", 3.5).attributes()} aria-hidden="true">{escape(words)}</text>'
        )
        self.words(place, words, tone, anchor, size)

    def arrow(self, start: tuple[float, float], end: tuple[float, float], tone: str = "soft") -> None:
        """A dimension line with a head at both ends."""
        self.path([start, end], Pen(tone, 0.9))
        (x, y), (x2, y2) = start, end
        length = math.hypot(x2 - x, y2 - y) or 1.0
        ux, uy = (x2 - x) / length, (y2 - y) / length
        for tip_x, tip_y, way in ((x, y, 1.0), (x2, y2, -1.0)):
            back_x, back_y = tip_x + way * 5.0 * ux, tip_y + way * 5.0 * uy
            wing = [(back_x - 1.8 * uy, back_y + 1.8 * ux), (back_x + 1.8 * uy, back_y - 1.8 * ux)]
            self.path([(tip_x, tip_y), *wing], None, tone)

    def text(self, name: str = "") -> str:
        """The finished element, with its title for readers who do not see it."""
        mark = f' id="{escape(name)}"' if name else ""
        return (
            f'<svg{mark} xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{escape(self.title)}"'
            f' viewBox="0 0 {number(self.width)} {number(self.height)}" font-family="system-ui, sans-serif">'
            f"<title>{escape(self.title)}</title>{''.join(self._parts)}</svg>"
        )


def long_words(words: str, letters: int) -> list[str]:
    """Words broken into lines of at most `letters`."""
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and len(longer) > letters:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def wide(words: str, size: float = SIZE) -> float:
    """About how long words are; a sans-serif letter is a little over half as wide as it is high."""
    return 0.56 * size * len(words)


def round_steps(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers from low to high for an axis, about `count` of them: steps 1, 2, 5 times 10^k."""
    span = max(high - low, 1e-12)
    raw = span / count
    decade: float = 10.0 ** math.floor(math.log10(raw))
    step = next(decade * part for part in (1.0, 2.0, 5.0, 10.0) if decade * part >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def spread(places: Iterable[float], least: float, low: float, high: float) -> list[float]:
    """Rising places moved apart to at least `least`, kept between low and high as far as they fit."""
    out: list[float] = []
    for place in places:
        out.append(max(place, out[-1] + least if out else low))
    for k in range(len(out) - 1, -1, -1):
        top = high if k == len(out) - 1 else out[k + 1] - least
        out[k] = min(out[k], top)
    return out
