"""Scales of contact that rod and shell share, and roundings of walls near which contact points are split."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fem.contact.kernels.laws import DEEP, STEEP, Law
from fem.core.term import Array, FrictionMode
from fem.design.obstacle import ARC, LINE, POINT, SEGMENT

SAFE_DEPTH = 0.4
"""Part of the way to a wall's core (or to the next wrap) that a move may sink in beyond the gap."""


SHARP = 8.0
"""A rounding of a radius below this many spacings of the stations is sharp."""


CLEAR, FADE = 0.5, 1.0
"""Clear way [mm] from a sharp rounding within which all points count, and over which they fade out."""


END_SHARE = 0.25
"""Part of the outermost piece of the strip that a contact point on its very end stands for."""


def with_ends(lengths: Array) -> Array:
    """Lengths (n + 2,) that points stand for when root and tip carry some, each for END_SHARE of the piece
    next to it, from those of the n pieces (a point in the middle of each).
    """
    longer = np.pad(np.asarray(lengths, dtype=np.float64), 1, mode="edge")
    longer[[0, -1]] *= END_SHARE
    longer[[1, -2]] *= 1.0 - END_SHARE
    return longer


def lobatto(count: int) -> tuple[Array, Array]:
    """Gauss-Lobatto places and weights on [0, 1] (both ends included)."""
    inner = np.polynomial.legendre.Legendre.basis(count - 1).deriv().roots()
    x = np.concatenate([[-1.0], np.sort(inner.real), [1.0]])
    w = 2 / (count * (count - 1) * np.polynomial.legendre.Legendre.basis(count - 1)(x) ** 2)
    return 0.5 * (x + 1), 0.5 * w


class StripSize(Protocol):
    """What contact knows of a strip [mm]."""

    @property
    def thickness(self) -> float: ...
    @property
    def width(self) -> float: ...


@dataclass(frozen=True)
class ContactSettings:
    """stiffness [N/mm^3], onset of the penalty [mm], elastic slip [mm]; friction coefficient of the strip on
    walls; lead [mm]: gap at which the penalty begins, so that a face under load lies about on the surface.
    """

    stiffness: float
    onset: float
    slip: float
    friction: float
    lead: float = 0.0

    def law(self, strip: StripSize, turn: float, friction: FrictionMode) -> Law:
        """The same for the compiled loops, with the strip's size, the turn [rad] of turning walls in this
        step and how friction enters.
        """
        return Law(
            self.stiffness,
            self.onset,
            self.slip,
            0.0 if friction is FrictionMode.NONE else self.friction,
            strip.thickness + 2.0 * self.lead,
            strip.width,
            turn,
            float(friction is FrictionMode.FOLLOWING),
        )


class Penalised:
    """A term with contact whose penalty can be raised."""

    settings: ContactSettings

    def harden(self, factor: float) -> None:
        """Press with so many times the penalty from here on."""
        self.settings = replace(self.settings, stiffness=factor * self.settings.stiffness)


def sharp_roundings(table: Array, largest: float) -> Array:
    """(m, 3): centres x, y and radius of the walls' round ends and posts of a radius below `largest`."""
    sharp = table[(table[:, 3] < largest) & (table[:, 0] < LINE)]
    point, segment, arc = (sharp[sharp[:, 0] == kind] for kind in (POINT, SEGMENT, ARC))
    starts, ends = (arc[:, 1:3] + arc[:, 6:7] * arc[:, c : c + 2] for c in (10, 12))
    places = [point[:, 1:3], segment[:, 1:3], segment[:, 4:6], starts, ends]
    radii = [rows[:, 3] for rows in (point, segment, segment, arc, arc)]
    return np.column_stack([np.concatenate(places), np.concatenate(radii)])


def pressure(gap: Array, stiffness: float, onset: float) -> Array:
    """Contact pressure [MPa] of a penalty [N/mm^3] with quadratic onset [mm], as
    `fem.contact.kernels.laws.penalty`.
    """
    depth = np.maximum(-gap, 0.0)
    deep = np.maximum(depth - DEEP * onset, 0.0)
    grown = stiffness * (deep / (STEEP * onset)) ** 2 * deep / 3
    linear = np.where(depth < onset, stiffness * depth**2 / (2 * onset), stiffness * (depth - 0.5 * onset))
    return np.asarray(linear + grown)
