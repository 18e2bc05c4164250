"""What a run leaves, as data: the verdict's numbers, the path, snapshots, where they came from, how they are
stored, and how they compare with what was accepted. It knows no model.
"""

__all__ = [
    "baseline",
    "columns",
    "compare",
    "curves",
    "outcome",
    "provenance",
    "readings",
    "regression",
    "result",
    "run_files",
    "snapshot",
    "vtkhdf",
]
