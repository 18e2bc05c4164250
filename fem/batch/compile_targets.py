"""All loops of a run of a model, called once on a small strip, so that they are compiled before a run asks.

A loop is compiled for the types it is called with. Here the very objects of a run call their loops, on a
strip of a few elements; `tests/unit/batch/test_compile_targets.py` checks that a run then asks for no other
types. The parts share next to no loop that Python calls, so that each can be compiled by another process.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from fem.contact.kernels.sides import passes_itself, passes_walls
from fem.contact.settings import ContactSettings
from fem.core.term import Array, Blocks, Index
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.obstacle import Pod, Wall, axle_walls
from fem.design.path import Runs, Straight
from fem.design.section import Arc
from fem.design.strip import Strip
from fem.linalg.banded import BandMatrix
from fem.linalg.block_sparse import BlockMatrix
from fem.linalg.profile_ldl import assemble
from fem.rod.energy import Rod, RodEnergy, build_rod, rest_state
from fem.rod.fields import RodFields
from fem.rod.self_contact import RodSelfContact
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.shell.self_contact import ShellSelfContact
from fem.shell.state import strip_state
from fem.shell.strip_shell import StripMesh, StripShell, strip_shell
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWallContact

Part = Callable[[], None]
LENGTH, AXLE = 30.0, 3.0
SETTINGS = ContactSettings(80.0, 0.05, 0.03, 0.2)


@cache
def _strip() -> Strip:
    soft = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.3)
    return Strip(Runs((Straight(LENGTH),), AXLE), Arc(radius=9.0), 12.0, 1, (Layer(soft, 1.0),), ())


def _surroundings() -> tuple[Wall, ...]:
    return axle_walls(AXLE, 0.0) + Pod(8.0, 1.5, -3.5, 10.0, 0.5).walls(0.0)


def _unit(dofs: Index) -> Blocks:
    """Blocks whose sum can be factored."""
    width = dofs.shape[1]
    return Blocks(dofs, np.broadcast_to(np.eye(width), (len(dofs), width, width)).copy())


def _step(touching: RodWallContact | RodSelfContact | ShellWallContact | ShellSelfContact, u: Array) -> None:
    """What contact of any kind is asked while a step is made."""
    touching.safe_fraction(u, np.zeros_like(u))
    touching.accept(u)


def _sides(line: Array, table: Array) -> None:
    """What is asked of the mid-line after a step."""
    passes_walls(np.ascontiguousarray(line), table)
    passes_itself(np.ascontiguousarray(line))


# ---- rod ---------------------------------------------------------------------------------------------------


@cache
def _rod() -> tuple[Rod, Array]:
    rod = build_rod(_strip(), np.linspace(0.0, LENGTH, 5))
    path = _strip().path
    return rod, rest_state(rod, path.position(rod.nodes), path.heading(rod.nodes))


def _rod_walls() -> tuple[RodWallContact, Array]:
    rod, u = _rod()
    return RodWallContact(rod, contact_points(rod, 2.0, 3), _surroundings(), SETTINGS), u


def _rod_wraps() -> tuple[RodSelfContact, Array]:
    rod, u = _rod()
    return RodSelfContact(rod, contact_points(rod, 2.0), SETTINGS, np.pi * AXLE), u


def _rod_energy() -> None:
    rod, u = _rod()
    RodEnergy(rod).evaluate(u, 2)


def _rod_wall_energy() -> None:
    walls, u = _rod_walls()
    walls.evaluate(u, 1)


def _rod_wall_states() -> None:
    walls, u = _rod_walls()
    walls.start(u)
    _step(walls, u)


def _rod_wall_readings() -> None:
    walls, u = _rod_walls()
    walls.axle_moment(u)
    walls.gaps(u)
    walls.least_gap(u)
    _sides(walls.mid_line(u), walls.table)


def _rod_numbers() -> None:
    rod, u = _rod()
    RodFields.build(rod, np.linspace(0.0, LENGTH, 3), 3).summary(u)
    unit = _unit(rod.dofs)
    matrix = BandMatrix(rod.size, 2 * rod.fields, np.zeros(rod.size, dtype=np.bool_))
    matrix.assemble([unit])
    matrix.factor_general([unit])


def _rod_pairs() -> None:
    wraps, u = _rod_wraps()
    wraps.start(u)
    _step(wraps, u)
    wraps.gaps(u)


def _rod_wrap_energy() -> None:
    wraps, u = _rod_wraps()
    wraps.evaluate(u, 1)


# ---- shell -------------------------------------------------------------------------------------------------


@cache
def _shell() -> StripShell:
    with TemporaryDirectory() as meshes:
        return strip_shell(_strip(), StripMesh(LENGTH / 4, (), 4, True, (), Path(meshes)))


def _shell_energy() -> None:
    shell = _shell().shell
    shell.evaluate(shell.rest.ravel(), 1)


def _shell_state() -> None:
    strip_state(_shell(), _shell().shell.rest.ravel())


def _shell_modes() -> None:
    size = _shell().shell.size
    matrix, _ = assemble(size, [_unit(_shell().shell.dofs)])
    matrix.factorise().solve(np.zeros(size))


def _shell_factors() -> None:
    shell, unit = _shell().shell, _unit(_shell().shell.dofs)
    matrix = BlockMatrix(shell.size, 12 * shell.grid.across.size, np.zeros(shell.size, dtype=np.bool_))
    matrix.assemble([unit])
    for factor in (matrix.factor(), matrix.factor_general([unit])):
        assert factor is not None
        factor.solve(np.zeros(shell.size))


def _shell_walls() -> None:
    shell, thickness = _shell().shell, _strip().thickness
    points = surface_points(_shell(), 2.0, split=3)
    walls, u = ShellWallContact(points, shell.size, thickness, _surroundings(), SETTINGS), shell.rest.ravel()
    walls.start(u)
    walls.evaluate(u, 1)
    walls.evaluate(1.001 * u, 1)  # elsewhere than what is held
    _step(walls, u)
    walls.axle_moment(u)
    walls.gaps(u)
    _sides(walls.mid_line(u), walls.table)


def _shell_wraps() -> None:
    shell, thickness = _shell().shell, _strip().thickness
    points = surface_points(_shell(), 2.0, ends=True)
    wraps, u = (
        ShellSelfContact(points, shell.grid, shell.size, thickness, SETTINGS, np.pi * AXLE),
        shell.rest.ravel(),
    )
    wraps.start(u)
    wraps.evaluate(u, 1)
    _step(wraps, u)
    wraps.state(u, wraps.record())


PARTS: dict[str, dict[str, Part]] = {
    "rod": {
        "energy": _rod_energy,
        "wall-energy": _rod_wall_energy,
        "wall-states": _rod_wall_states,
        "wall-readings": _rod_wall_readings,
        "numbers": _rod_numbers,
        "pairs": _rod_pairs,
        "wrap-energy": _rod_wrap_energy,
    },
    "shell": {
        "energy": _shell_energy,
        "state": _shell_state,
        "modes": _shell_modes,
        "factors": _shell_factors,
        "walls": _shell_walls,
        "wraps": _shell_wraps,
    },
}
"""For each model its parts; neighbours have pieces in common, which a process compiles once."""
