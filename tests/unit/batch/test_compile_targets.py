"""A run asks for no loop, and for no types of one, that the rehearsal of its model has not compiled."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from small_cases import small_text

from fem.batch.compile_targets import PARTS
from fem.results.outcome import Status

ROOT = Path(__file__).resolve().parents[3]
SCRIPT = """
import json, sys
from pathlib import Path
from fem.case.definition import read_case
from fem.batch.compile_targets import PARTS
from fem.simulation.run import run_case

def loops():
    found = {}
    for name, module in list(sys.modules.items()):
        for key, value in list(vars(module).items()) if name.startswith("fem.") else ():
            if hasattr(value, "signatures") and value.py_func.__module__ == name:
                found[f"{name}.{key}"] = [str(types) for types in value.signatures]
    return found

file, model = sys.argv[1:]
for part in PARTS[model].values():
    part()
rehearsed = loops()
result = run_case(read_case(Path(file)), model=model)
asked = loops()
more = {name: types for name, types in asked.items() if types != rehearsed.get(name, [])}
print(json.dumps([result.status, more, sum(map(bool, rehearsed.values()))]))
"""


def asked_beyond(folder: Path, model: str, left_out: float) -> tuple[str, dict[str, list[str]], int]:
    """Status of a small run after the rehearsal, the loops it asked for beyond it, how many that had."""
    push = f'kind = "retract-then-deploy"\nleft_out = {left_out}'
    (folder / "small.toml").write_text(small_text(push, friction=0.1))
    told = subprocess.run(
        [sys.executable, "-c", SCRIPT, folder / "small.toml", model], cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    status, more, count = json.loads(told.splitlines()[-1])
    return status, more, count


def test_a_run_of_the_rod_asks_for_nothing_else(tmp_path):
    status, more, count = asked_beyond(tmp_path, "rod", 14.0)
    assert (status, more) == (Status.DEPLOYED, {}) and count > 20


def test_a_run_of_the_shell_asks_for_nothing_else(tmp_path):
    status, more, count = asked_beyond(tmp_path, "shell", 32.0)
    assert (status, more) == (Status.DEPLOYED, {}) and count > 20


def test_every_model_has_parts_to_share():
    from fem.core.atomic import MODELS

    assert set(PARTS) == set(MODELS) and all(len(parts) > 3 for parts in PARTS.values())
