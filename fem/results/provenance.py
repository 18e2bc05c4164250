"""Where a number came from: the case, the code, the libraries it stands on, the machine, the time."""

from __future__ import annotations

import functools
import os
import platform
import time
from collections.abc import Mapping
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from fem.case.definition import Case
from fem.core.sources import digest

RUN = "simulation.run"
"""Module that makes results."""
LIBRARIES = ("numpy", "scipy", "numba", "scikit-fem", "gmsh")
"""Libraries whose version can change a number."""
STAMP = ("case_digest", "model", "code_digest", "python", *LIBRARIES)
"""What must be equal for two runs to give the same numbers on the same machine."""
UNFINISHED = "unfinished"
"""Set in the origin of a result whose time ran out: a run goes on from there."""


@functools.cache
def code_digest() -> str:
    """Hash of the sources that a run imports, names included: another digest, another program. What draws,
    tells or compares results is not among them.
    """
    return digest(RUN)


@functools.cache
def version_of(package: str) -> str:
    """Installed version, or that there is none."""
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def stamp(case: Case, model: str) -> dict[str, str]:
    """The values of `STAMP`: a stored result with the same ones need not be computed again."""
    libraries = {name: version_of(name) for name in LIBRARIES}
    known = {"case_digest": case.digest, "model": model, "code_digest": code_digest()}
    return known | {"python": platform.python_version()} | libraries


def same(known: Mapping[str, Any], wanted: Mapping[str, str]) -> bool:
    """Whether a result that tells `known` of its origin is what a run with the stamp `wanted` would give."""
    return not known.get(UNFINISHED) and all(known.get(name) == value for name, value in wanted.items())


def provenance(case: Case, model: str) -> dict[str, Any]:
    """Everything a reader needs to know about the origin of a result.

    Random numbers only start the search for modes, always with the same seed.
    """
    return stamp(case, model) | {
        "design_digest": case.design_digest, "case_file": case.source, "solver": asdict(case.settings),
        "program": version_of("pushpast"), "host": platform.node(),
        "machine": platform.machine(), "system": platform.platform(),
        "processors": os.cpu_count(), "date": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "random_seed": 1,
    }  # fmt: skip
