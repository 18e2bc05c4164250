"""Designs drawn at random over a wide space: what a stranger might write.

A number always gives the same design. Nothing makes sure that a design can exist: the reader should refuse
what cannot, and every other one should end in a verdict about the strip. `WIDE` holds all kinds of section,
path, layers, surroundings and pushes; `SMALL` short strips that are wound in and pushed out within seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from fem.design.material import LIBRARY

T = TypeVar("T")
STREAM = 20261130
"""First word of every seed: another gives other designs."""
MATERIALS = tuple(material.name for material in LIBRARY)
WINDING, BENCH = ("retract-then-deploy", "retract", "deploy"), ("bend", "column", "press", "coil")

Span = tuple[float, float]


@dataclass(frozen=True)
class Space:
    """What is drawn from: spans of length, width, thickness and axle radius [mm], of the largest friction and
    of the section's angle from edge to edge [degrees]; most bends; whether there are curves for section and
    path, layers of several kinds, obstacles, odd slots, weight and pushes on the bench; lines of `[solver]`.
    """

    length: Span = (20.0, 300.0)
    width: Span = (4.0, 30.0)
    thickness: Span = (0.08, 2.0)
    axle: Span = (2.0, 15.0)
    friction: Span = (0.1, 0.5)
    angle: Span = (15.0, 180.0)
    bends: int = 5
    curves: bool = True
    layered: bool = True
    obstacles: bool = True
    odd_slots: bool = True
    weight: bool = True
    bench: bool = True
    solver: str = ""


WIDE = Space()
PLAIN = Space(obstacles=False, odd_slots=False, bench=False)
SMALL = Space(
    length=(30.0, 48.0), width=(6.0, 11.0), thickness=(0.5, 1.1), axle=(3.0, 6.0), friction=(0.05, 0.3),
    angle=(20.0, 80.0), bends=1, curves=False, layered=False, obstacles=False, odd_slots=False, weight=False,
    bench=False, solver="element = 2.5\nelement_fine = 2.5\ncontact_spacing = 0.8\n",
)  # fmt: skip


@dataclass(frozen=True)
class Sizes:
    """Sizes [mm] that the rest of a design goes by; free: length of strip outside the slot."""

    length: float
    width: float
    thickness: float
    axle: float
    casing: float
    slot: float

    @property
    def mouth(self) -> float:
        """Where the slot ends."""
        return self.casing + self.slot

    @property
    def free(self) -> float:
        """Strip outside the slot."""
        return max(1.0, self.length - self.mouth)


class Draw:
    """Draws of one design."""

    def __init__(self, number: int, space: Space) -> None:
        self.space, self._chance = space, np.random.default_rng([STREAM, number])

    def between(self, low: float, high: float) -> float:
        """A number, each as likely."""
        return float(self._chance.uniform(low, high))

    def scale(self, low: float, high: float) -> float:
        """A number, each order of magnitude as likely."""
        return math.exp(self.between(math.log(low), math.log(high)))

    def share(self, chance: float) -> bool:
        """Yes, in this share of all draws."""
        return self.between(0.0, 1.0) < chance

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""
        return int(self._chance.integers(low, high + 1))

    def one_of(self, choices: Sequence[T], weights: Sequence[float] | None = None) -> T:
        """One of some choices."""
        chances = None if weights is None else np.array(weights) / sum(weights)
        return choices[int(self._chance.choice(len(choices), p=chances))]

    def parts(self, count: int, evenness: float) -> list[float]:
        """Positive parts of one."""
        drawn = self._chance.gamma(evenness, 1.0, count) + 1e-9
        return [float(part) for part in drawn / drawn.sum()]


def design(number: int, space: Space = WIDE) -> str:
    """The text of a case file."""
    draw = Draw(number, space)
    sizes = _sizes(draw)
    rub = draw.one_of([0.0, draw.between(0.0, 0.2), draw.between(*space.friction)])
    wraps = rub if draw.share(0.5) else draw.between(0.0, space.friction[1])
    gap, lip = sizes.thickness * draw.scale(1.05, 5.0), draw.scale(0.05, 3.0)
    winding = draw.one_of(["equal", "opposite"], [65, 35])
    tables = [
        f'title = "random design {number}"\n',
        f'[strip]\nwidth = {_digits(sizes.width)}\nwinding = "{winding}"\n',
        f"[strip.path]\n{_path(draw, sizes)}\n",
        f"[strip.section]\n{_section(draw, sizes.width)}\n",
        *(f"[[strip.layers]]\n{layer}\n" for layer in _layers(draw, sizes)),
        f"[axle]\n{_keys(radius=sizes.axle)}\n",
        f"[casing]\n{_keys(radius=sizes.casing)}\n",
        f"[slot]\n{_keys(gap=gap, length=sizes.slot, lip=lip)}\n",
        f"[friction]\n{_keys(strip=rub, wraps=wraps)}\n",
    ]
    if draw.share(0.65):
        motor = _keys(
            stall_torque=draw.scale(0.05, 50.0),
            no_load_speed=draw.scale(2000.0, 20000.0),
            gear_ratio=draw.scale(10.0, 400.0),
            efficiency=draw.between(0.3, 0.95),
        )
        tables.append(f"[motor]\n{motor}\n")
    if space.weight and draw.share(0.35):
        tables.append(f"[weight]\nacts = true\ndirection = {_digits(draw.between(-180, 180))}\n")
    if space.obstacles and draw.share(0.4):
        tables += [f"[[obstacles]]\n{_obstacle(draw, sizes)}\n" for _ in range(draw.whole(1, 3))]
    tables.append(f"[push]\n{_push(draw, sizes)}")
    if space.solver:
        tables.append(f"[solver]\n{space.solver}")
    return "\n".join(tables)


def _digits(value: float) -> str:
    """A number as a case file says it, to four digits."""
    return repr(float(f"{value:.4g}"))


def _keys(**values: float) -> str:
    """Lines of a table, each a key with its number."""
    return "\n".join(f"{name} = {_digits(value)}" for name, value in values.items())


def _sizes(draw: Draw) -> Sizes:
    space = draw.space
    length, width = draw.scale(*space.length), draw.between(*space.width)
    thickness, axle = draw.scale(*space.thickness), draw.scale(*space.axle)
    tight = math.sqrt(axle**2 + length * thickness / math.pi)
    room = draw.one_of([draw.between(1.0, 1.1), draw.between(1.1, 1.5), draw.between(1.5, 3.0)])
    slot = draw.one_of([0.0, draw.scale(0.3, 15.0)]) if space.odd_slots else 1.5
    return Sizes(length, width, thickness, axle, max(axle + 1.05 * thickness, tight * room), slot)


def _layers(draw: Draw, sizes: Sizes) -> list[str]:
    """One material, a laminate, a spine or a window."""
    first, second, thick = draw.one_of(MATERIALS), draw.one_of(MATERIALS), sizes.thickness
    kinds = ["one", "laminate", "spine", "window"] if draw.space.layered else ["one"]
    kind = draw.one_of(kinds, [55, 20, 15, 10][: len(kinds)])
    if kind == "one":
        return [_layer(first, thick, angle=draw.one_of([0.0, 0.0, 0.0, 45.0, 90.0]))]
    if kind == "laminate":
        angles = [0.0, 0.0, 90.0, 45.0, -45.0, 30.0]
        return [
            _layer(draw.one_of(MATERIALS), max(0.01, part * thick), angle=draw.one_of(angles))
            for part in draw.parts(draw.whole(2, 4), 3.0)
        ]
    if kind == "spine":
        half = draw.between(0.1, 0.45) * sizes.width
        middle = f'\nacross = [{_digits(-half)}, {_digits(half)}]\nelsewhere = "{first}"'
        skin = _layer(first, 0.4 * thick)
        return [skin, _layer(second, 0.2 * thick) + middle, skin]
    start = draw.between(0.1, 0.7) * sizes.length
    end = max(start + 0.5, min(start + draw.between(2.0, 20.0), 0.97 * sizes.length))
    window = f'\nalong = [{_digits(start)}, {_digits(end)}]\nelsewhere = "{first}"'
    return [_layer(first, 0.5 * thick), _layer(second, 0.5 * thick) + window]


def _layer(material: str, thickness: float, angle: float = 0.0) -> str:
    return f'material = "{material}"\nthickness = {_digits(thickness)}\nangle = {_digits(angle)}'


def _section(draw: Draw, width: float) -> str:
    """Flat, an arc, or a symmetric curve through points."""
    kinds = ["flat", "arc", "curve"] if draw.space.curves else ["flat", "arc"]
    kind = draw.one_of(kinds, [15, 65, 20][: len(kinds)])
    if kind == "flat":
        return 'kind = "flat"'
    if kind == "arc":
        return f'kind = "arc"\nradius = {_digits(width / math.radians(draw.between(*draw.space.angle)))}'
    reach, depth, power = 0.55 * width, draw.between(0.02, 0.3) * width, draw.between(1.2, 4.0)
    places = np.linspace(-reach, reach, draw.whole(3, 7))
    points = ", ".join(f"[{_digits(z)}, {_digits(depth * abs(z / reach) ** power)}]" for z in places)
    return f'kind = "curve"\npoints = [{points}]'


def _path(draw: Draw, sizes: Sizes) -> str:
    """Straights and bends of either sense, or a curve through points."""
    length = sizes.length
    if draw.space.curves and draw.share(0.15):
        count = draw.whole(3, 7)
        rises = [0.0, 0.0, *(draw.between(-1.0, 1.0) * 0.14 * length for _ in range(count - 2))]
        points = zip(np.linspace(0.0, 0.9 * length, count), np.cumsum(rises), strict=True)
        return "through = [" + ", ".join(f"[{_digits(x)}, {_digits(y)}]" for x, y in points) + "]"
    bends = [
        (
            draw.one_of([-1.0, 1.0]) * draw.between(5.0, 150.0),
            draw.scale(max(2.0, 0.8 * sizes.thickness), 40.0),
        )
        for _ in range(draw.whole(0, draw.space.bends))
    ]
    while sum(math.radians(abs(angle)) * radius for angle, radius in bends) > 0.8 * length:
        bends.pop()
    rest = length - sum(math.radians(abs(angle)) * radius for angle, radius in bends)
    first, *others = draw.parts(len(bends) + 1, 1.5)
    runs = [f"{{ straight = {_digits(max(0.5, first * rest))} }}"]
    for (angle, radius), part in zip(bends, others, strict=True):
        runs.append(f"{{ bend = {_digits(angle)}, radius = {_digits(radius)} }}")
        if part * rest > 0.3:
            runs.append(f"{{ straight = {_digits(part * rest)} }}")
    return "runs = [" + ", ".join(runs) + "]"


def _obstacle(draw: Draw, sizes: Sizes) -> str:
    """One thing outside the casing."""
    x = sizes.mouth + 1.0 + draw.between(0.0, 0.8) * sizes.length
    y = -sizes.axle + draw.between(-0.4, 0.4) * sizes.length
    kind = draw.one_of(["plane", "cylinder", "bar", "guide"])
    told = f'kind = "{kind}"\n'
    if kind == "plane":
        return told + _keys(x=x, y=y, facing=90.0 if y < -sizes.axle else -90.0)
    if kind == "cylinder":
        return told + _keys(x=x, y=y, radius=draw.scale(0.5, 15.0))
    if kind == "bar":
        x2, y2 = x + draw.between(-30.0, 30.0), y + draw.between(-30.0, 30.0)
        return told + _keys(x=x, y=y, x2=x2, y2=y2, radius=draw.scale(0.3, 3.0))
    return told + _keys(
        x=sizes.mouth + draw.between(0.5, 10.0),
        y=-sizes.axle - 0.5 * sizes.thickness,
        heading=draw.between(-20.0, 20.0),
        angle=draw.one_of([0.0, draw.between(-60.0, 60.0)]),
        length=draw.between(3.0, 30.0),
        gap=sizes.thickness * draw.scale(1.2, 8.0),
        lip=draw.scale(0.1, 1.5),
    )


def _push(draw: Draw, sizes: Sizes) -> str:
    """What is done to the strip."""
    kinds = WINDING + BENCH if draw.space.bench else WINDING
    kind = draw.one_of(kinds, [50, 10, 8, 8, 8, 8, 8][: len(kinds)])
    told, free = f'kind = "{kind}"\n', sizes.free
    if kind == "bend":
        return told + _keys(angle=draw.between(-180.0, 180.0))
    if kind == "column":
        span = draw.between(0.3, 0.99) * free
        return told + 'held = "slot"\n' + _keys(free_length=span, shortening=draw.between(0.01, 0.3) * span)
    if kind == "press":
        station, direction = draw.between(0.6, 0.98) * sizes.length, draw.between(-180.0, 180.0)
        return told + _keys(force=draw.scale(0.01, 20.0), station=station, direction=direction)
    if kind == "coil":
        return told + _keys(radius=draw.scale(2.0, 40.0), station=draw.between(0.4, 0.98) * sizes.length)
    if draw.share(0.3):
        told += _keys(travel=max(0.1, draw.between(0.2, 1.0) * free))
    else:
        told += _keys(left_out=min(draw.one_of([3.0, 5.0, draw.between(0.0, 0.3) * free]), 0.5 * free))
    if kind == "retract-then-deploy":
        told += f"\nsafe_travel = {'true' if draw.share(0.3) else 'false'}"
    return told + "\n"
