"""One state of a finished run for other programs: the mid-surface with its fields, or a solid to print.

`.vtu` holds the quadrilaterals of the mid-surface with all point data of `fem.results.vtkhdf`; `.stl` the
strip in its true thickness, closed, its normals outward, in mm. Whatever else meshio writes gets the
mid-surface.
"""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import meshio
import numpy as np

from fem.core.atomic import whole_file
from fem.core.errors import InputError
from fem.core.term import Array, Index
from fem.results.result import Result
from fem.results.snapshot import Snapshot
from fem.results.vtkhdf import quads, surface_data
from fem.view.solid import StripGrid

ALONG, ACROSS = 400, 15
"""Points of the solid along and across the strip."""


def export(result: Result, file: Path, at: str | None = None) -> Snapshot:
    """Write the state named by `at` (a label, the number of a step, or None for the critical one) and return
    it; the kind of file follows from its ending. Raises InputError if there is no such state or kind of file,
    or it cannot be written.
    """
    shot = state_at(result, at)
    ending = file.suffix.lower()
    if ending not in meshio.extension_to_filetypes:
        known = ", ".join(sorted(meshio.extension_to_filetypes))
        raise InputError(f"{file}: no kind of file ends in {ending!r}; name one of {known}")
    made = solid_mesh(shot) if ending == ".stl" else surface_mesh(shot)
    try:
        with whole_file(file) as unfinished, contextlib.redirect_stdout(io.StringIO()):  # meshio prints
            made.write(unfinished, **({"binary": True} if ending == ".stl" else {}))
    except OSError as problem:
        raise InputError(f"{file}: cannot be written ({problem.strerror or problem})") from problem
    except (ValueError, KeyError, TypeError, AttributeError, meshio.WriteError) as problem:
        raise InputError(f"{file}: this kind of file cannot hold the strip ({problem})") from problem
    return shot


def state_at(result: Result, at: str | None) -> Snapshot:
    """The stored state that a label or a step names; labels before numbers, None is the critical state."""
    shots = result.snapshots
    labels = [label for shot in shots for label in shot.label.split("; ") if label]
    if at is None:
        critical = result.critical()
        if critical is None:
            raise InputError(f"the run of {result.case_name} kept no state; there is nothing to export")
        return critical
    for shot in shots:
        if at == shot.label or at in shot.label.split("; "):
            return shot
    if at.isdigit() and shots:
        return min(shots, key=lambda shot: abs(shot.step - int(at)))
    steps = f"0 to {shots[-1].step}" if shots else "none"
    raise InputError(
        f"the run of {result.case_name} has no state {at!r}; name one of {', '.join(labels)}, or a step "
        f"({steps})"
    )


def surface_mesh(shot: Snapshot) -> meshio.Mesh:
    """The mid-surface, station by station, with its point data."""
    n, m = shot.height.shape
    data = {
        name: np.ascontiguousarray(values).reshape(n * m, *values.shape[2:])
        for name, values in surface_data(shot).items()
    }
    return meshio.Mesh(shot.surface().reshape(-1, 3), [("quad", quads(n, m))], point_data=data)


def solid_mesh(shot: Snapshot) -> meshio.Mesh:
    """The closed surface of the strip as triangles, normals outward."""
    along = np.linspace(shot.station[0], shot.station[-1], ALONG)
    grid = StripGrid.of(shot.station, shot.across.size, along, np.linspace(0.0, 1.0, ACROSS))
    above, below = grid.solid(shot).faces[:2]
    points, triangles = closed(above, below)
    return meshio.Mesh(points, [("triangle", triangles)])


def closed(above: Array, below: Array) -> tuple[Array, Index]:
    """Points (2nm, 3) and triangles (k, 3) of the body between two faces (n, m, 3), seen from outside
    anticlockwise; `above` lies on the side of d/ds x d/dq reversed, toward the axle.
    """
    n, m = above.shape[:2]
    points = np.concatenate([above.reshape(-1, 3), below.reshape(-1, 3)])
    top = quads(n, m)
    bottom = top[:, ::-1] + n * m
    rim = np.concatenate(
        [np.arange(m), np.arange(1, n) * m + m - 1, n * m - 2 - np.arange(m - 1), np.arange(n - 2, 0, -1) * m]
    )
    following = np.roll(rim, -1)
    side = np.stack([rim, rim + n * m, following + n * m, following], axis=1)
    corners = np.concatenate([top, bottom, side])
    return points, np.concatenate([corners[:, [0, 1, 2]], corners[:, [0, 2, 3]]])
