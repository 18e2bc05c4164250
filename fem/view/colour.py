"""Scales of colour for values that everybody can read; fixed colours are in `palette`.

Every scale is a path in the OKLab space (Ottosson 2020) walked at constant colour difference, so that equal
steps look alike. Lightness carries the value and hue only helps: a scale reads in grey and with any colour
vision. Signed quantities run from a pale middle to two dark ends of equal lightness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.view.palette import OVER, UNKNOWN

LEVELS = 256


def ramp(count: int = LEVELS) -> Array:
    """Colours for 0 ... 1 from pale to dark, (count, 3) sRGB in 0 ... 1.

    From a pale sea green over blue to a dark violet; lightness falls all the way.
    """
    t = np.linspace(0.0, 1.0, 2001)
    light, hue = 0.955 - 0.70 * t, np.radians(185.0 + 105.0 * t)
    chroma = 0.03 + 0.085 * np.sin(math.pi * (0.08 + 0.80 * t)) ** 1.3
    return _walked(light, chroma, hue, count)


def signed_ramp(count: int = LEVELS + 1) -> Array:
    """Colours for -1 ... 1, (count, 3) sRGB in 0 ... 1: dark teal, pale middle, dark rust; `count` odd."""
    t = np.linspace(0.0, 1.0, 1001)
    light, chroma = 0.965 - 0.60 * t**1.1, 0.004 + 0.118 * np.sin(0.68 * math.pi * t)
    half = count // 2 + 1
    negative, positive = (_walked(light, chroma * share, np.radians(hue) + 0 * t, half)
                          for hue, share in ((228.0, 0.80), (48.0, 1.0)))  # fmt: skip
    middle = 0.5 * (negative[:1] + positive[:1])
    return np.vstack([negative[:0:-1], middle, positive[1:]])


def _walked(light: Array, chroma: Array, hue: Array, count: int) -> Array:
    """A path of lightness, chroma and hue in OKLab at `count` places of equal colour difference, as sRGB."""
    lab = np.stack([light, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    walked = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(lab, axis=0), axis=1))])
    at = np.linspace(0.0, walked[-1], count)
    return srgb(np.stack([np.interp(at, walked, lab[:, k]) for k in range(3)], axis=1))


def srgb(lab: Array) -> Array:
    """OKLab (k, 3) -> sRGB (k, 3) in 0 ... 1, clipped to what a screen shows."""
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


def materials(count: int) -> NDArray[np.uint8]:
    """`count` colours for materials, (count, 3) bytes: neighbours differ in lightness as well as in hue."""
    light = (0.84, 0.50, 0.70, 0.36, 0.92, 0.58)
    hue, chroma = (200.0, 285.0, 75.0, 245.0, 110.0, 25.0), (0.07, 0.11, 0.12, 0.08, 0.08, 0.12)
    k = np.arange(count) % len(light)
    turn = np.radians(np.array(hue)[k])
    strength = np.array(chroma)[k]
    lab = np.stack([np.array(light)[k], strength * np.cos(turn), strength * np.sin(turn)], axis=1)
    return np.asarray((srgb(lab) * 255).round(), dtype=np.uint8)


def rgb(name: str) -> NDArray[np.uint8]:
    """The three bytes of "#rrggbb"."""
    return np.array([int(name[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.uint8)


def hexadecimal(colour: NDArray[np.uint8]) -> str:
    """Three bytes as "#rrggbb"."""
    return "#" + bytes(colour.tolist()).hex()


def shade(share: Array) -> NDArray[np.uint8]:
    """Colours of shares, (...) -> (..., 3) bytes; above 1 the warning colour, nan grey."""
    place = np.clip(np.nan_to_num(share) * (LEVELS - 1), 0, LEVELS - 1).astype(int)
    place = np.where(np.isnan(share), LEVELS + 1, np.where(share > 1.0, LEVELS, place))
    return np.asarray(_tables()[0][place])


@cache
def _tables() -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Bytes of both scales, each followed by the warning colour and the one of what is not known."""
    ends = [rgb(OVER)[None], rgb(UNKNOWN)[None]]
    made = (np.vstack([colours * 255, *ends]).round().astype(np.uint8) for colours in (ramp(), signed_ramp()))
    plain, signed = made
    return plain, signed


@dataclass(frozen=True)
class Scale:
    """From values to colours: `low` and `high` are the ends, the same for every state of a run.

    signed: pale at 0. falling: the smallest value is the darkest. limit: beyond `high` lies the warning
    colour; else the end colour goes on.
    """

    title: str
    unit: str
    low: float
    high: float
    signed: bool = False
    falling: bool = False
    limit: bool = False

    def colours(self, values: Array) -> NDArray[np.uint8]:
        """(...) -> (..., 3) bytes; nan grey."""
        share = (values - self.low) / (self.high - self.low)
        if self.falling:
            share = 1.0 - share
        if not self.limit:
            share = np.clip(share, 0.0, 1.0)
        if not self.signed:
            return shade(share)
        place = np.clip(np.nan_to_num(share) * LEVELS, 0, LEVELS).round().astype(int)
        return _tables()[1][np.where(np.isnan(share), LEVELS + 2, place)]

    def ticks(self) -> list[tuple[float, str]]:
        """Five values from end to end with their words; an end that goes on says so."""
        values = np.linspace(self.low, self.high, 5)
        words = [f"{value:.3g}".replace("-", "\N{MINUS SIGN}") for value in values]
        if not self.limit:
            words[-1] += " +"
        return list(zip(values.tolist(), words, strict=True))


def round_up(value: float) -> float:
    """The next of 1, 2, 4, 6, 8 times a power of ten: four equal parts of it are short numbers. 1 for 0."""
    if not (math.isfinite(value) and value > 0.0):
        return 1.0
    decade = 10.0 ** math.floor(math.log10(value))
    return next(step * decade for step in (1.0, 2.0, 4.0, 6.0, 8.0, 10.0) if step * decade >= 0.999 * value)
