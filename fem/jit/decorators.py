"""How loops are compiled, said once for all of them.

Most of a first run on a machine is spent compiling. Wrappers that nobody calls are a fifth of that: no loop
is called through a C pointer, and what other loops take in is not called from Python. A division by zero
gives an infinite number, as in numpy, not an exception, whose test would stand in every loop; who minimises
asks whether energies are finite. Loops that Python calls are kept between runs, where `fem.jit.cache` says;
pieces are not: they are needed only to compile a loop.

A loop gives the same digits wherever and whenever it was compiled. So no option lets the compiler choose the
order of sums: numba compiles what stands behind an operator (x**2, say) once in a process, with the options
of the loop that asks first, and serves it to all others; which loop that is differs between runs, tests and
helpers that compile. Options that numba takes over from whoever asks first are said for every loop, for
the same reason. Sums that should be quick take four numbers at a time, in an order that stands in the source
(`fem.jit.simd`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba import njit

from fem.jit.cache import folder

Loop = TypeVar("Loop", bound=Callable[..., object])
LOOPS: dict[str, Any] = {
    "error_model": "numpy",
    "fastmath": False,
    "forceinline": False,
    "no_cfunc_wrapper": True,
}
PIECES: dict[str, Any] = {**LOOPS, "forceinline": True, "no_cpython_wrapper": True}


def compiled(loop: Loop) -> Loop:
    """A loop that Python calls."""
    return _kept(loop, LOOPS)


def inlined(loop: Loop) -> Loop:
    """A short piece that loops take in. Called from Python it would bring the interpreter down."""
    return cast("Loop", njit(**PIECES)(loop))


def shared(loop: Loop) -> Loop:
    """A long piece, which loops may take in or call. It is not kept: loops compiled with one that another
    process had kept were a sixth slower.
    """
    return cast("Loop", njit(**LOOPS)(loop))


def _kept(loop: Loop, options: dict[str, Any]) -> Loop:
    """The loop compiled with options and kept, where anything can be."""
    package, _, module = loop.__module__.partition(".")
    place = folder(module) if package == __name__.partition(".")[0] else None
    if place is None:
        return cast("Loop", njit(**options)(loop))
    config: Any = numba.config
    before = config.CACHE_DIR
    try:
        config.CACHE_DIR = str(place)
        made = njit(cache=True, **options)(loop)
    finally:
        config.CACHE_DIR = before
    if not config.DISABLE_JIT and not made.stats.cache_path.startswith(str(place)):
        made = njit(**options)(loop)  # numba could not write there and took a folder that may be stale
    return cast("Loop", made)
