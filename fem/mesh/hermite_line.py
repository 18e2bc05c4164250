"""Cubic Hermite functions on a line, as an element and as plain numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from skfem.element import DiscreteField, Element
from skfem.refdom import RefLine

from fem.core.term import Array


class HermiteLine(Element):  # type: ignore[misc]
    """Cubic Hermite line element in closed form (value and slope at both ends).

    The stock element inverts one matrix of global monomials and loses digits on strips of 100 mm; here the
    four functions are written out on the unit interval.
    """

    nodal_dofs = 2
    maxdeg = 3
    dofnames = ("u", "u_s")
    doflocs = np.array([[0.0], [0.0], [1.0], [1.0]])
    refdom = RefLine

    def gbasis(self, mapping: Any, X: Array, i: int, tind: Any = None) -> tuple[DiscreteField]:
        """Function i (0..3) with first and second derivative at reference points X (1, Q)."""
        size = np.abs(mapping.detDF(X, tind))
        value, first, second = hermite(np.broadcast_to(X[0], size.shape), size)[i]
        return (DiscreteField(value=value, grad=first[None], hess=second[None, None]),)


def hermite(t: Array, size: Array) -> list[tuple[Array, Array, Array]]:
    """Four cubic Hermite functions on an element of length `size` at t in [0, 1]: value, d/ds, d2/ds2."""
    return [
        (1 - 3 * t**2 + 2 * t**3, (-6 * t + 6 * t**2) / size, (-6 + 12 * t) / size**2),
        ((t - 2 * t**2 + t**3) * size, 1 - 4 * t + 3 * t**2, (-4 + 6 * t) / size),
        (3 * t**2 - 2 * t**3, (6 * t - 6 * t**2) / size, (6 - 12 * t) / size**2),
        ((-(t**2) + t**3) * size, -2 * t + 3 * t**2, (-2 + 6 * t) / size),
    ]
