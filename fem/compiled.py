"""How loops are compiled, said once for most of them.

Most of a first run on a machine is spent compiling. Wrappers that nobody calls are a fifth of that: no loop
is called through a C pointer, and what other loops take in is not called from Python. A division by zero
gives an infinite number, as in numpy, not an exception, whose test would stand in every loop; who minimises
asks whether energies are finite.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

Loop = TypeVar("Loop", bound=Callable[..., object])
LOOPS: dict[str, Any] = {"cache": True, "error_model": "numpy", "no_cfunc_wrapper": True}
RELAXED: dict[str, Any] = {"cache": True, "fastmath": {"contract", "reassoc", "nsz", "arcp"}}
PIECES: dict[str, Any] = {**LOOPS, "forceinline": True, "no_cpython_wrapper": True}


def compiled(loop: Loop) -> Loop:
    """A loop that Python calls."""
    return cast("Loop", njit(**LOOPS)(loop))


def inlined(loop: Loop) -> Loop:
    """A short piece that loops take in. Called from Python it would bring the interpreter down."""
    return cast("Loop", njit(**PIECES)(loop))


def relaxed(loop: Loop) -> Loop:
    """A loop over sums that may be summed in another order; what is not finite stays so."""
    return cast("Loop", njit(**RELAXED)(loop))
