"""Tests stand where the module they test stands: `tests/unit/rod/test_energy.py` for `fem/rod/energy.py`.

A compiled loop is tested by the tests of what calls it: that of the same name, or one named here. What
`verify` loops over is run by `tests/benchmarks`.
"""

from __future__ import annotations

from pathlib import Path

from fem.core.sources import all_modules, closure, imports

TESTS = Path(__file__).resolve().parents[1]
PUBLISHED = ("verification.published", "verification.verify")
"""What runs and judges checks; the rest of its package are the checks."""

ELSEWHERE = {
    "__main__": "unit/cli/test_verbs.py",
    "batch.preload": "unit/batch/test_workers.py",
    "case.key_lines": "unit/case/test_file.py",
    "case.keys": "unit/case/test_file.py",
    "case.place_rules": "unit/case/test_rules.py",
    "cli.comparing": "unit/results/test_regression.py",
    "cli.comparison_plot": "unit/results/test_regression.py",
    "cli.comparison_text": "unit/results/test_regression.py",
    "cli.reporting": "unit/cli/test_verbs.py",
    "cli.starting": "unit/cli/test_verbs.py",
    "cli.output": "unit/cli/test_verbs.py",
    "cli.optimising": "unit/cli/test_optimise_verbs.py",
    "cli.study_text": "unit/cli/test_study_verbs.py",
    "cli.studying": "unit/cli/test_study_verbs.py",
    "cli.terminal": "unit/cli/test_verbs.py",
    "cli.viewing": "unit/view/test_window.py",
    "contact.kernels.distance": "unit/design/test_obstacle.py",
    "contact.kernels.laws": "unit/rod/test_wall_contact.py",
    "contact.settings": "unit/rod/test_wall_contact.py",
    "contact.state": "unit/simulation/test_kept_contact.py",
    "contact.surroundings": "unit/rod/test_model.py",
    "core.user_folder": "unit/jit/test_cache.py",
    "jit.decorators": "unit/jit/test_cache.py",
    "linalg.kernels.dense_blocks": "unit/linalg/test_block_sparse.py",
    "mesh.generator": "unit/mesh/test_developed_mesh.py",
    "mesh.size_fields": "unit/rod/test_model.py",
    "mesh.hermite_line": "unit/rod/test_energy.py",
    "report.json_documents": "unit/cli/test_verbs.py",
    "results.run_files": "unit/results/test_result.py",
    "results.provenance": "unit/simulation/test_run.py",
    "results.snapshot": "unit/results/test_result.py",
    "rod.constraints": "unit/simulation/test_fixtures.py",
    "rod.kernels.faces": "unit/rod/test_wall_contact.py",
    "rod.kernels.pairs": "unit/rod/test_self_contact.py",
    "rod.kernels.wall_readings": "unit/rod/test_wall_contact.py",
    "rod.kernels.walls": "unit/rod/test_wall_contact.py",
    "rod.kernels.width": "unit/rod/test_energy.py",
    "rod.section_tables": "unit/rod/test_energy.py",
    "shell.constraints": "unit/shell/test_energy.py",
    "shell.drives": "unit/simulation/test_deployed_shape.py",
    "shell.fields": "unit/shell/test_strip_shell.py",
    "shell.kernels.faces": "unit/shell/test_wall_contact.py",
    "shell.kernels.pairs": "unit/shell/test_self_contact.py",
    "shell.kernels.followers": "unit/shell/test_self_contact.py",
    "shell.kernels.point": "unit/shell/test_energy.py",
    "shell.kernels.walls": "unit/shell/test_wall_contact.py",
    "shell.loads": "unit/shell/test_energy.py",
    "shell.surface_points": "unit/shell/test_wall_contact.py",
    "shell.trials": "unit/shell/test_strip_shell.py",
    "study.closing_in": "unit/study/test_limit.py",
    "study.measure": "unit/study/test_limit.py",
    "simulation.column_fixtures": "unit/simulation/test_fixtures.py",
    "simulation.grips": "unit/simulation/test_fixtures.py",
    "simulation.models": "unit/simulation/test_half_width.py",
    "simulation.journal": "unit/core/test_checkpoint.py",
    "simulation.resumed": "unit/core/test_checkpoint.py",
    "simulation.run_context": "unit/simulation/test_run.py",
    "simulation.winding_state": "unit/simulation/test_attempts.py",
    "simulation.slow_drive": "unit/simulation/test_bench.py",
    "solvers.descent": "unit/solvers/test_implicit_dynamics.py",
    "solvers.edge_constraints": "unit/solvers/test_constraints.py",
    "solvers.moving_system": "unit/solvers/test_balance.py",
    "solvers.newton_loop": "unit/solvers/test_balance.py",
    "solvers.static_problem": "unit/solvers/test_newton.py",
    "view.camera": "unit/view/test_still.py",
    "view.colouring": "unit/view/test_playback.py",
    "view.film": "unit/view/test_window.py",
    "view.graphics": "unit/view/test_still.py",
    "view.intended": "unit/view/test_measure.py",
    "view.mesh_picture": "unit/exchange/test_case_meshes.py",
    "view.scene": "unit/view/test_still.py",
    "view.side_panel": "unit/view/test_window.py",
}
"""Module without a test file of its own -> the file that tests it."""

BY_NAME = ("__main__", "batch.preload")
"""Modules that nothing imports: processes are started with their names."""

TOGETHER = {
    "batch/test_killed.py": "the whole command",
    "case/test_robust.py": "all that reads a case",
    "contact/kernels/test_laws.py": "pieces that compiled loops take in",
    "jit/test_same_digits.py": "all compiled loops",
    "report/test_page_browser.py": "the scripts of the pages",
    "shell/test_refined.py": "the shell with finer elements",
    "shell/test_saved_states.py": "states that a push of the shell goes on from",
    "shell/test_whole.py": "the shell of a whole width",
    "simulation/test_rod_and_shell.py": "both models",
    "test_init.py": "what the package offers",
    "test_layers.py": "imports",
    "test_mirror.py": "tests",
    "test_readme.py": "README and guide",
}
"""Test file of no one module -> what it is about."""


def own_file(module: str) -> str:
    """Where the tests of a module stand, if it has its own."""
    *packages, name = [part for part in module.split(".") if part != "kernels"]
    return "/".join(["unit", *packages, f"test_{name}.py"])


def written() -> set[str]:
    return {file.relative_to(TESTS).as_posix() for file in TESTS.rglob("test_*.py")}


def modules() -> list[str]:
    return [name for name in all_modules() if not name.endswith("__init__")]


def without_own_file() -> set[str]:
    """Modules that need a line above."""
    checks = {name for name in modules() if name.startswith("verification.") and name not in PUBLISHED}
    return {name for name in modules() if own_file(name) not in written()} - checks


def test_every_module_has_its_test_file_or_is_told_where_it_is_tested() -> None:
    assert without_own_file() == set(ELSEWHERE)


def test_the_file_that_is_told_uses_the_module() -> None:
    for module, file in ELSEWHERE.items():
        assert file in written(), file
        if module not in BY_NAME:
            assert module in closure(frozenset(imports((TESTS / file).read_text()))), f"{file}: {module}"


def test_every_module_of_checks_is_run_by_the_benchmarks() -> None:
    texts = [file.read_text() for file in (TESTS / "benchmarks").glob("test_*.py")]
    reached = closure(frozenset(name for text in texts for name in imports(text)))
    checks = {name for name in modules() if name.startswith("verification.")}
    assert checks - reached == {"verification.verify"} - reached


def test_every_test_file_stands_by_its_module_or_says_what_it_is_about() -> None:
    own = {own_file(name) for name in modules()}
    about = {f"unit/{name}" for name in TOGETHER}
    apart = {name for name in written() if name.startswith("unit/")} - own
    assert apart == about
