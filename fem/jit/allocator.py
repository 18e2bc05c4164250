"""What becomes of memory that the program has done with.

A tangent of the shell and its factors are a dozen arrays of a few MB each, made anew many times a second. The
C library hands arrays of that size back to the system, which blanks every page of the next one: a twentieth
of the time of a cycle. Kept in the process, pages are blanked once.
"""

from __future__ import annotations

import ctypes
import sys

TRIM, MAP = -1, -3
"""M_TRIM_THRESHOLD and M_MMAP_THRESHOLD of mallopt(3) in the GNU C library."""
KEPT, LARGEST = 512 * 2**20, 32 * 2**20
"""Bytes that may lie idle before some are handed back; arrays beyond the second go back at once (the most
that the library allows).
"""


def keep_memory() -> bool:
    """Keep freed arrays in the process for the next ones. Returns whether the C library knows how to."""
    if not sys.platform.startswith("linux"):
        return False
    tell = getattr(ctypes.CDLL(None), "mallopt", None)
    return tell is not None and tell(MAP, LARGEST) == 1 and tell(TRIM, KEPT) == 1
