"""Dense pieces of factors in blocks: inverse, root and inverse of it, products taken from other blocks.

All work on fours of numbers (`fem.jit.simd`), four rows or columns of a block at a time, so that a number
that has been read is used several times before the next. The rows of a block are a multiple of WIDE long.

Source: Golub & Van Loan 2013, Matrix Computations, 4th ed., sec. 3.2 and 4.2 (blocked elimination and
Cholesky factor), from memory.
"""

from __future__ import annotations

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import inlined, shared
from fem.jit.simd import LANES, put, splat, take

WIDE = 12
"""Columns of a strip of a product: three vec4s for each of four rows stay in the processor's registers."""


@inlined
def inverted(a: Array) -> bool:
    """Inverse of a (n, n) in its place by Gauss-Jordan elimination with exchange of rows; False where
    singular.

    Four columns are eliminated at a time: in a copy of theirs (panel), which then says what the four pivot
    rows add to all others.
    """
    n = len(a)
    exchanged = np.empty(n, np.int64)
    panel, top = np.empty((LANES, n)), np.empty((LANES, n))
    for k in range(0, n, LANES):
        for i in range(n):
            for c in range(LANES):
                panel[c, i] = a[i, k + c]
        if not _panel(a, panel, k, exchanged):
            return False
        for c in range(LANES):
            for j in range(0, n, LANES):
                put(top, (c, j), take(a, (k + c, j)))
                put(a, (k + c, j), splat(0.0))
        for i in range(0, n, 2):
            p0, p1, p2, p3 = splat(panel[0, i]), splat(panel[1, i]), splat(panel[2, i]), splat(panel[3, i])
            m = i + 1
            q0, q1, q2, q3 = splat(panel[0, m]), splat(panel[1, m]), splat(panel[2, m]), splat(panel[3, m])
            for j in range(0, n, LANES):
                t0, t1, t2, t3 = take(top, (0, j)), take(top, (1, j)), take(top, (2, j)), take(top, (3, j))
                put(a, (i, j), take(a, (i, j)) + p0 * t0 + p1 * t1 + p2 * t2 + p3 * t3)
                put(a, (m, j), take(a, (m, j)) + q0 * t0 + q1 * t1 + q2 * t2 + q3 * t3)
            for c in range(LANES):
                a[i, k + c], a[m, k + c] = panel[c, i], panel[c, m]
    for k in range(n - 1, -1, -1):
        if exchanged[k] != k:
            for i in range(n):
                a[i, k], a[i, exchanged[k]] = a[i, exchanged[k]], a[i, k]
    return True


@inlined
def _panel(a: Array, panel: Array, k: int, exchanged: Index) -> bool:
    """Eliminate columns k to k + 3 of a, whose copy panel (4, n) has them for rows; rows are exchanged in
    both.
    """
    n = len(a)
    for c in range(LANES):
        own, best = k + c, k + c
        for i in range(own + 1, n):
            if abs(panel[c, i]) > abs(panel[c, best]):
                best = i
        pivot = panel[c, best]
        if pivot == 0.0:
            return False
        exchanged[own] = best
        if best != own:
            for j in range(0, n, LANES):
                row = take(a, (best, j))
                put(a, (best, j), take(a, (own, j)))
                put(a, (own, j), row)
            for d in range(LANES):
                panel[d, best], panel[d, own] = panel[d, own], panel[d, best]
        for d in range(LANES):
            if d != c:
                part = panel[d, own] / pivot
                for i in range(0, n, LANES):
                    put(panel, (d, i), take(panel, (d, i)) - part * take(panel, (c, i)))
                panel[d, own] = part
        for i in range(0, n, LANES):
            put(panel, (c, i), take(panel, (c, i)) * (-1.0 / pivot))
        panel[c, own] = 1.0 / pivot
    return True


@inlined
def rooted(a: Array) -> bool:
    """Overwrite a (n, n) with the inverse of R, R^T R = a and R upper triangular; False where a is not
    positive definite.
    """
    n = len(a)
    for k in range(0, n, LANES):
        for c in range(k, k + LANES):
            if not a[c, c] > 0.0:
                return False
            part = 1.0 / np.sqrt(a[c, c])
            for j in range(k, n, LANES):
                put(a, (c, j), take(a, (c, j)) * part)
            for d in range(c + 1, k + LANES):
                part = a[c, d]
                for j in range(k, n, LANES):
                    put(a, (d, j), take(a, (d, j)) - part * take(a, (c, j)))
        for i in range(k + LANES, n):
            p0, p1, p2, p3 = splat(a[k, i]), splat(a[k + 1, i]), splat(a[k + 2, i]), splat(a[k + 3, i])
            for j in range(i - i % LANES, n, LANES):
                less = p0 * take(a, (k, j)) + p1 * take(a, (k + 1, j))
                less += p2 * take(a, (k + 2, j)) + p3 * take(a, (k + 3, j))
                put(a, (i, j), take(a, (i, j)) - less)
    # rows of the inverse from the last up: X[k, k] = 1 / R[k, k], X[k, j] = -sum_i R[k, i] X[i, j] / R[k, k]
    made = np.empty((LANES, n))
    for k in range(n - LANES, -1, -LANES):
        for c in range(LANES):
            for j in range(0, n, LANES):
                put(made, (c, j), splat(0.0))
        for i in range(k + LANES, n):
            p0, p1, p2, p3 = splat(a[k, i]), splat(a[k + 1, i]), splat(a[k + 2, i]), splat(a[k + 3, i])
            for j in range(i - i % LANES, n, LANES):
                row = take(a, (i, j))
                put(made, (0, j), take(made, (0, j)) - p0 * row)
                put(made, (1, j), take(made, (1, j)) - p1 * row)
                put(made, (2, j), take(made, (2, j)) - p2 * row)
                put(made, (3, j), take(made, (3, j)) - p3 * row)
        for c in range(LANES - 1, -1, -1):
            made[c, k + c] = 1.0
            for d in range(c + 1, LANES):
                part = a[k + c, k + d]
                for j in range(k, n, LANES):
                    put(made, (c, j), take(made, (c, j)) - part * take(made, (d, j)))
            part = 1.0 / a[k + c, k + c]
            for j in range(k, n, LANES):
                put(made, (c, j), take(made, (c, j)) * part)
        for c in range(LANES):
            for j in range(0, n, LANES):
                put(a, (k + c, j), take(made, (c, j)))
    return True


@inlined
def take_strip(values: Array, at: int, step: int, strip: Array) -> None:
    """Copy columns of values (any,), whose rows begin at `at` and then every `step`, to strip (n, WIDE)."""
    for r in range(len(strip)):
        for c in range(0, WIDE, LANES):
            put(strip, (r, c), take(values, (at + r * step + c,)))


@shared
def less_product(left: Array, strip: Array, out: Array, top: int, step: int) -> None:
    """Take left (m, n) times strip (n, WIDE) from out (any,), whose rows begin at `top` and then every
    `step`.
    """
    m, n = left.shape
    for i in range(0, m, 4):
        a, b, c, d = top + i * step, top + (i + 1) * step, top + (i + 2) * step, top + (i + 3) * step
        a0, a1, a2 = take(out, (a,)), take(out, (a + 4,)), take(out, (a + 8,))
        b0, b1, b2 = take(out, (b,)), take(out, (b + 4,)), take(out, (b + 8,))
        c0, c1, c2 = take(out, (c,)), take(out, (c + 4,)), take(out, (c + 8,))
        d0, d1, d2 = take(out, (d,)), take(out, (d + 4,)), take(out, (d + 8,))
        for k in range(n):
            r0, r1, r2 = take(strip, (k, 0)), take(strip, (k, 4)), take(strip, (k, 8))
            part = splat(left[i, k])
            a0, a1, a2 = a0 - part * r0, a1 - part * r1, a2 - part * r2
            part = splat(left[i + 1, k])
            b0, b1, b2 = b0 - part * r0, b1 - part * r1, b2 - part * r2
            part = splat(left[i + 2, k])
            c0, c1, c2 = c0 - part * r0, c1 - part * r1, c2 - part * r2
            part = splat(left[i + 3, k])
            d0, d1, d2 = d0 - part * r0, d1 - part * r1, d2 - part * r2
        _put_row(out, a, a0, a1, a2)
        _put_row(out, b, b0, b1, b2)
        _put_row(out, c, c0, c1, c2)
        _put_row(out, d, d0, d1, d2)


@shared
def times(low: Array, begin: int, rows: int, block: Array, strip: Array) -> None:
    """Multiply rows of low (any,), which begin at `begin`, by a block (n, n) from the right; strip (n, WIDE)
    is for its columns.
    """
    n = len(block)
    left, flat = np.empty((rows, n)), block.reshape(n * n)
    for i in range(rows):
        for k in range(n):
            left[i, k] = -low[begin + i * n + k]
            low[begin + i * n + k] = 0.0
    for c in range(0, n, WIDE):
        take_strip(flat, c, n, strip)
        less_product(left, strip, low, begin + c, n)


@inlined
def _put_row(out: Array, at: int, first: float, second: float, third: float) -> None:
    """Store three vec4s side by side."""
    put(out, (at,), first)
    put(out, (at + 4,), second)
    put(out, (at + 8,), third)
