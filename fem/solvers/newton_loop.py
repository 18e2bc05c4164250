"""Newton's method, the loop alone: a direction, what is made of it, an end.

Every Newton iteration of this program runs here. What differs is handed in as two parts: `direction`
linearises at the present state and says where to go, or that the iteration ends; `accept` goes there (all the
way, part of the way, on by corrections with the same factors) and may end it too. Statics (`newton`),
arc-length, minimising an energy (`descent`) and the balance with friction (`balance`) are such pairs of
parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

State = TypeVar("State")
Direction = TypeVar("Direction")

OUT_OF_ITERATIONS = "out of iterations"


@dataclass(frozen=True)
class Reached(Generic[State]):
    """A state of the iteration; status: how the iteration ended there, "" where it goes on; extra: iterations
    that the way there cost beyond the one that is counted anyway.
    """

    state: State
    status: str = ""
    extra: int = 0


class Parts(Protocol[State, Direction]):
    """What one kind of Newton iteration consists of. Parts may remember what they computed at a state."""

    def direction(self, state: State, count: int) -> Direction | Reached[State]:
        """Where to go from a state in the iteration of a number (from 1), or how the iteration ends."""
        ...

    def accept(self, state: State, direction: Direction) -> Reached[State]:
        """The next state, and whether the iteration ends there."""
        ...


def iterate(parts: Parts[State, Direction], start: State, most: int) -> tuple[Reached[State], int]:
    """Where an iteration of at most `most` steps ends, and how many it took.

    The status is what the parts say, or OUT_OF_ITERATIONS.
    """
    state, count = start, 0
    while count < most:
        count += 1
        direction = parts.direction(state, count)
        if isinstance(direction, Reached):
            return direction, count
        reached = parts.accept(state, direction)
        count += reached.extra
        if reached.status:
            return reached, count
        state = reached.state
    return Reached(state, OUT_OF_ITERATIONS), count
