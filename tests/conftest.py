"""How the tests run: one thread for linear algebra each, side by side without doing anything twice."""

from __future__ import annotations

import os
import sys

import pytest

MOST_WORKERS = 8
"""Each takes up to 0.7 GB once it has drawn pictures."""

if "numpy" not in sys.modules:  # it reads these once, when it is loaded; more threads only fight each other
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def pytest_xdist_auto_num_workers() -> int:
    """Workers of `-n auto`: a core each, of those this process may use; the plug-in counts physical ones."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_WORKERS)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the loops of both models before workers start, or each of them would compile them all."""
    config = session.config
    if hasattr(config, "workerinput") or not getattr(config.option, "numprocesses", None):
        return
    if config.option.collectonly:
        return
    from fem.batch.precompile import compile_loops
    from fem.core.atomic import MODELS

    line = config.get_terminal_writer().line
    for model in MODELS:
        compile_loops(model, lambda model=model: line(f"compiling loops: {model}"), lambda: False)
