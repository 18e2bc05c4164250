"""A smooth guess at a quantity between the runs there are, with its own error told by leaving runs out.

A Gaussian process with a squared-exponential or Matern kernel of a length scale per coordinate and a noise,
all by maximum likelihood (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, ch. 2 and 5;
the process itself is scikit-learn's). Values are given as they vary most evenly: for torques and strains that
is their logarithm. The error of a run left out needs no second fit: it follows from the inverse of the matrix
of the fit (Dubrule 1983, Math. Geol. 15:687; Rasmussen & Williams, eq. 5.12).
"""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import cho_solve, solve_triangular

from fem.core.term import Array

SCALES = (0.05, 20.0)
"""Shortest and longest length scale looked for, coordinates running from 0 to 1."""
NOISE = (1e-8, 0.3)
"""Least and largest variance of a run's own scatter, as shares of the variance of the values."""
SMOOTH = 2.5
"""Of the Matern kernel; infinity is the squared exponential."""
REACH = 0.2
"""Length scales start at this many times the root of the number of coordinates."""


@dataclass(frozen=True, eq=False)
class Surrogate:
    """A fitted process. points: (n, d) in the unit cube; scales: (d,); noise: standard deviation of a run in
    the unit of the values; left_out: (n,) prediction at each point from the others; left_out_deviation: (n,).
    """

    points: Array
    values: Array
    scales: Array
    noise: float
    left_out: Array
    left_out_deviation: Array
    _kernel: Any
    _factor: Array
    _weights: Array
    _centre: float
    _spread: float

    @property
    def error(self) -> float:
        """Root mean square of value minus prediction, each run left out in turn; unit of the values."""
        return float(np.sqrt(np.mean((self.values - self.left_out) ** 2)))

    def predict(self, points: Array) -> tuple[Array, Array]:
        """Mean and standard deviation (m,) of the smooth quantity at (m, d) points, a run's scatter apart."""
        smooth = self._kernel.k1
        across = smooth(np.atleast_2d(points), self.points)
        mean = self._centre + self._spread * (across @ self._weights)
        half = solve_triangular(self._factor, across.T, lower=True, check_finite=False)
        variance = smooth.diag(np.atleast_2d(points)) - np.einsum("ij,ij->j", half, half)
        return mean, self._spread * np.sqrt(np.maximum(variance, 1e-12))

    def with_points(self, points: Array, values: Array) -> Surrogate:
        """The same process with more points, its scales and noise kept."""
        return _conditioned(
            self._kernel, np.vstack([self.points, points]), np.concatenate([self.values, values]),
            (self._centre, self._spread),
        )  # fmt: skip


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """A block whose linear algebra keeps to one thread: such small matrices gain nothing by more, and the
    digits of a fit must not depend on how many there are.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        yield


def fit(points: Array, values: Array, seed: int = 0) -> Surrogate:
    """Process of maximum likelihood through values (n,) at points (n, d), n >= 2, in the unit cube.

    seed: of the second start of the search for scales. The same arguments give the same process. Raises
    ValueError for fewer than two points and for values that are no numbers.
    """
    points, values = np.asarray(points, dtype=float), np.asarray(values, dtype=float)
    if len(points) < 2 or points.shape[0] != len(values) or not np.isfinite(values).all():
        raise ValueError(f"needs two or more points with finite values, got {len(points)} of {len(values)}")
    centre, spread = float(values.mean()), float(values.std())
    spread = spread if spread > 1e-12 * max(1.0, abs(centre)) else 1.0
    with one_thread():
        kernel = _best_kernel(points, (values - centre) / spread, seed)
        return _conditioned(kernel, points, values, (centre, spread))


def _best_kernel(points: Array, scaled: Array, seed: int) -> Any:
    """The kernel of largest likelihood from two starts."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    size = points.shape[1]
    first = np.full(size, REACH * math.sqrt(size))
    kernel = ConstantKernel(1.0, (0.05, 100.0)) * Matern(first, SCALES, nu=SMOOTH) + WhiteKernel(1e-3, NOISE)
    process = GaussianProcessRegressor(kernel, alpha=1e-10, n_restarts_optimizer=1, random_state=seed)
    with warnings.catch_warnings():
        # a scale at its bound is a coordinate that does not matter
        warnings.simplefilter("ignore", ConvergenceWarning)
        process.fit(points, scaled)
    return process.kernel_


def _conditioned(kernel: Any, points: Array, values: Array, scale: tuple[float, float]) -> Surrogate:
    """The process of a kernel through values."""
    centre, spread = scale
    matrix = kernel(points)
    matrix[np.diag_indices_from(matrix)] += 1e-10
    factor = np.linalg.cholesky(matrix)
    weights = cho_solve((factor, True), (values - centre) / spread)
    scales = np.broadcast_to(np.atleast_1d(kernel.k1.k2.length_scale), points.shape[1:]).astype(float)
    inverse = np.diag(cho_solve((factor, True), np.eye(len(points))))
    return Surrogate(
        points, values, scales,
        spread * math.sqrt(float(kernel.k2.noise_level)),
        values - spread * weights / inverse, spread * np.sqrt(1.0 / inverse),
        kernel, factor, weights, centre, spread,
    )  # fmt: skip
