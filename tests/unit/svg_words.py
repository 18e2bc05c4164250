"""Where the words of a drawing fall, measured with a real font: for tests that nothing is cut off."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator

from fem.view.canvas import Canvas

_PAPER = Canvas((10, 10))


def words(text: str) -> Iterator[tuple[str, float, float, float, float]]:
    """Each word group with its box (left, top, right, bottom); turned ones are measured along y."""
    for node in ET.fromstring(text).iter("{http://www.w3.org/2000/svg}text"):
        if node.get("aria-hidden") or not node.text:
            continue
        size, x, y = (float(node.get(key) or 0) for key in ("font-size", "x", "y"))
        # measured large, for the font comes in whole sizes; system fonts run narrower than this one
        wide = 0.93 * _PAPER.measure(node.text, 48.0)[0] * size / 48.0
        start = {"start": 0.0, "middle": -wide / 2, "end": -wide}[node.get("text-anchor") or "start"]
        if node.get("transform"):
            yield node.text, x - size, y + start, x + 0.25 * size, y + start + wide
        else:
            yield node.text, x + start, y - 0.8 * size, x + start + wide, y + 0.25 * size


def cut_off(text: str) -> list[str]:
    """Words that leave the view box."""
    box = [float(part) for part in (ET.fromstring(text).get("viewBox") or "").split()]
    return [
        said for said, left, top, right, bottom in words(text)
        if left < -0.5 or top < -0.5 or right > box[2] + 0.5 or bottom > box[3] + 0.5
    ]  # fmt: skip
