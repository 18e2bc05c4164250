"""Everything is a term of one potential.

Strain energy, contact, friction, inertia and loads are all *terms*: functions of the vector of unknowns u
that give an energy (where there is one), its gradient and its second derivative as small dense blocks.
Solvers add terms up and know nothing else; a new obstacle, law or load is one more term.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Blocks:
    """Second derivatives as a batch of equally sized symmetric blocks.

    dofs (m, k): unknowns each block acts on (repeated unknowns are summed); values (m, k, k).
    """

    dofs: Index
    values: Array


@dataclass(frozen=True)
class Evaluation:
    """Energy [N mm], gradient (n,) [N or N mm per unit of the unknown] and tangent blocks of one term."""

    energy: float
    gradient: Array
    blocks: tuple[Blocks, ...] = ()


class Term(Protocol):
    """One contribution to the potential."""

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Value at u (n,): order 0 energy only, 1 with gradient, 2 with tangent blocks too."""
        ...
