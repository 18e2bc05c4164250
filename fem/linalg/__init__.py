"""Symmetric and general systems of a strip's shape: profile factors that tell the number of negative pivots,
bands for unknowns on a line, dense blocks for lines of nodes; the latter two for strips that may touch
themselves.

They are our own because general sparse factors are four to ten times slower on these patterns.
"""

__all__ = ["banded", "block_sparse", "profile_ldl"]
