"""Rows set to others or lessened by them in compiled loops.

A slice does the same, but numba then compiles the messages for shapes that do not fit, for seconds.
"""

from __future__ import annotations

from fem.core.term import Array
from fem.jit.decorators import inlined


@inlined
def put(values: Array, out: Array) -> None:
    """Set out (n,) to the first n values."""
    for i in range(len(out)):
        out[i] = values[i]


@inlined
def less(values: Array, out: Array) -> None:
    """Take the first n values from out (n,)."""
    for i in range(len(out)):
        out[i] -= values[i]


@inlined
def put_rows(values: Array, out: Array) -> None:
    """Set out (m, n) to the first m rows of values."""
    for i in range(len(out)):
        put(values[i], out[i])
