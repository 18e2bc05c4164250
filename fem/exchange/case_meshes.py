"""Meshes of cases for people and other programs: gmsh's file format and a picture each, in `meshes/`.

    python -m fem.exchange.case_meshes [CASE...]

writes them anew, of all cases in `cases/` if none is named. Both models of a case are in one file: first the
shell's quadrilaterals, whose nodes and elements keep the numbers they have in a run (from 1), then the rod's
line. No run reads these files.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fem.case.definition import Case, read_case
from fem.core.atomic import whole_file
from fem.core.errors import EXIT_BAD_INPUT, EXIT_DONE, InputError
from fem.core.plain_text import visible
from fem.core.sources import PACKAGE
from fem.core.term import Array
from fem.mesh.developed_mesh import DevelopedMesh, blocks
from fem.mesh.generator import Block, write
from fem.mesh.line_mesh import line_mesh
from fem.mesh.size_fields import size_field
from fem.shell.model import case_mesh
from fem.shell.strip_shell import mesh_of
from fem.view.mesh_picture import mesh_picture

REPOSITORY = PACKAGE.parent
CASES, MESHES = REPOSITORY / "cases", REPOSITORY / "meshes"
ROD = "rod"
"""Group of the rod's line."""


@dataclass(frozen=True, eq=False)
class CaseMesh:
    """What both models of a case are divided into: the shell's mesh, stations (n,) [mm] of the rod."""

    shell: DevelopedMesh
    rod: Array

    def nodes(self) -> Array:
        """Nodes (n, 2) [mm] in (s, q): the shell's, then the rod's."""
        return np.concatenate([self.shell.places, np.column_stack([self.rod, np.zeros(self.rod.size)])])

    def blocks(self) -> list[Block]:
        """Elements with their groups."""
        first = len(self.shell.places) + np.arange(self.rod.size - 1)
        return [*blocks(self.shell), Block(np.column_stack([first, first + 1]), (ROD,))]


def mesh_of_case(case: Case) -> CaseMesh:
    """Meshes as a run makes them. Raises InputError without the mesh generator."""
    shell = mesh_of(case.strip, case_mesh(case))
    rod = line_mesh(case.strip.length, size_field(case, 1.0))
    for warning in (shell.warning, rod.warning):
        if warning:
            raise InputError(warning)
    return CaseMesh(shell, rod.stations)


def write_case(case: Case, folder: Path) -> tuple[Path, Path]:
    """Write mesh and picture of a case into a folder; returns both files."""
    mesh = mesh_of_case(case)
    file = folder / f"{case.name}.msh"
    with whole_file(file) as unfinished:
        write(str(unfinished), mesh.nodes(), mesh.blocks(), binary=False)
    picture = mesh_picture(case.title, mesh.shell, mesh.rod, folder / f"{case.name}.png", fingerprint(file))
    return file, picture


def fingerprint(file: Path) -> str:
    """What a picture keeps of the mesh it shows."""
    return hashlib.sha256(file.read_bytes()).hexdigest()


def main(arguments: Sequence[str]) -> int:
    """Write the meshes of the named case files, or of all in `cases/`; returns the exit code. A case at fault
    costs no other.
    """
    files = [Path(name) for name in arguments] or sorted(CASES.glob("*.toml"))
    code = EXIT_DONE
    try:
        if not files:
            raise InputError(f"{CASES}: there are no cases here; name the case files to draw meshes of")
        MESHES.mkdir(exist_ok=True)
        for file in files:
            try:
                mesh, picture = write_case(read_case(file), MESHES)
            except InputError as fault:
                sys.stderr.write(f"{visible(str(fault), lines=True)}\n")
                code = EXIT_BAD_INPUT
            else:
                sys.stdout.write(f"{mesh}, {picture.name}\n")
    except InputError as fault:
        sys.stderr.write(f"{fault}\n")
        return EXIT_BAD_INPUT
    except OSError as problem:
        sys.stderr.write(
            f"{MESHES}: cannot be written ({problem.strerror or problem}); meshes stay as they were\n"
        )
        return EXIT_BAD_INPUT
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
