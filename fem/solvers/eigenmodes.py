"""The softest modes of a tangent: buckling modes near a critical point, and how far off it is.

Modes solve K v = value W^2 v with the weights W that make unknowns lengths; a value below zero is a direction
in which the state is not stable. Found by shift-and-invert Lanczos around zero, with the factor the solvers
use.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse.linalg import LinearOperator, eigsh

from fem.core.term import Array
from fem.linalg.profile_ldl import SymmetricMatrix


def softest_modes(tangent: SymmetricMatrix, weights: Array, count: int) -> tuple[Array, Array]:
    """Values (count,) nearest zero, ascending, and modes (count, n) with largest weighted entry 1, of a
    tangent (n, n) with weights (n,).

    Needs count < n - 1.
    """
    factor, n = tangent.factorise(), tangent.size

    # in y = W v the problem is symmetric without a mass matrix: W^-1 K W^-1 y = value y
    def multiply(y: Array) -> Array:
        return np.asarray(tangent.multiply(y.ravel() / weights) / weights)

    def solve(y: Array) -> Array:
        return np.asarray(weights * factor.solve(weights * y.ravel()))

    matrix = LinearOperator((n, n), matvec=multiply, dtype=np.float64)
    inverse = LinearOperator((n, n), matvec=solve, dtype=np.float64)
    start = np.random.default_rng(1).standard_normal(n)
    values, modes = eigsh(matrix, k=count, sigma=0.0, OPinv=inverse, v0=start)
    order = np.argsort(values)
    shapes = (modes / weights[:, None]).T[order]
    largest = np.max(np.abs(shapes * weights), axis=1, keepdims=True)
    return values[order], shapes / largest
