"""Designs of a stranger, run one after the other, and what became of each.

    python tests/robust/survey.py [--model rod] [--first 0] [--count 200] [--plain] [--seconds 60]
                                  [--files FOLDER] [--table results/reference/random-designs-rod.md]

Each runs in a process of its own, which is killed when its CPU time is over. Rows go to a file beside the
table as they come (`.jsonl`, not kept with the project), so that a survey that was stopped goes on where it
stood; the table is written anew after each. --files takes the case files of a folder in place of drawn ones.
Prints what is not a verdict about the strip; ends with 1 where there is such a thing.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from one_design import NUMERICAL, REFUSED, REFUSED_IN_PLACE
from random_designs import PLAIN, WIDE, design

from fem.batch.precompile import compile_loops

TIME_OUT, BROKEN = "time out", "broken"
NO_VERDICT = (NUMERICAL, TIME_OUT, BROKEN)
"""Outcomes that say something about the program and nothing about the strip."""
MOSTLY = 0.9
"""Share of its CPU time that a killed process has used at least."""
STARTING = 30.0
"""CPU seconds that a process may take to start, in any case."""

Row = dict[str, Any]


def run_design(file: Path, model: str, seconds: float) -> Row:
    """One design in a process of its own, given so many CPU seconds."""
    command = [sys.executable, str(Path(__file__).with_name("one_design.py")), str(file), model, str(seconds)]
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as words:
        process = subprocess.Popen(command, stdout=out, stderr=words, text=True)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        words.seek(0)
        told, said = out.read().splitlines(), words.read().splitlines()
    row: Row = {"design": file.stem}
    if process.returncode == 0 and told:
        return row | json.loads(told[-1])
    cpu = used.ru_utime + used.ru_stime
    # by the limit itself, or for what it still did beyond it; the system counts a little otherwise than here
    killed = process.returncode in {-signal.SIGXCPU, -signal.SIGKILL} and cpu >= MOSTLY * seconds
    return row | {
        "outcome": TIME_OUT if killed else BROKEN,
        "message": said[-1] if said else f"ended with {process.returncode}",
        "cpu": cpu,
        "memory": used.ru_maxrss / 1024.0,
    }


def table(rows: Sequence[Row], heading: str) -> str:
    """The outcomes as Markdown: what there is of each, what it cost, and a line per design."""
    counted = Counter(row["outcome"] for row in rows)
    ran = [row for row in rows if row["outcome"] not in (REFUSED, REFUSED_IN_PLACE)]
    lines = [f"# {heading}", "", "| outcome | designs |", "|---|---|"]
    lines += [f"| {name} | {count} |" for name, count in counted.most_common()]
    if ran:
        cpu = [row["cpu"] for row in ran]
        lines += [
            "",
            f"CPU time of the {len(ran)} that ran: median {statistics.median(cpu):.1f} s, longest "
            f"{max(cpu):.1f} s. Largest memory {max(row['memory'] for row in ran):.0f} MB. Largest drag "
            f"{100 * _largest(share for row in ran for share in row.get('drag', ())):.2g} % of the work, "
            f"closure {100 * _largest(row.get('closure', math.nan) for row in ran):.2g} %. Smallest gap "
            f"{-_largest(-row.get('gap', math.nan) for row in ran):.2f} thicknesses.",
        ]
    lines += ["", "| design | push | outcome | CPU s | MB | drag in, out % | closure % | gap / t | tries | |"]
    lines += ["|" + "---|" * 10, *(_line(row) for row in rows)]
    return "\n".join(lines) + "\n"


def _line(row: Row) -> str:
    drag = ", ".join(_figure(share, 100.0) for share in row.get("drag", ())).strip(", ")
    cells = [
        row["design"], row.get("push", ""), row["outcome"], f"{row['cpu']:.1f}", f"{row['memory']:.0f}", drag,
        _figure(row.get("closure", math.nan), 100.0), _figure(row.get("gap", math.nan)),
        str(row.get("attempts", "")), row["message"].replace("|", "\\|"),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def _figure(value: float, times: float = 1.0) -> str:
    return f"{times * value:.2g}" if math.isfinite(value) else ""


def _largest(values: Iterator[float]) -> float:
    return max((value for value in values if math.isfinite(value)), default=math.nan)


def survey(files: Sequence[Path], model: str, seconds: float, kept: Path) -> Iterator[Row]:
    """A row of each file, in their order: those that are kept, and those that are run and kept now."""
    known = [json.loads(line) for line in kept.read_text().splitlines()] if kept.exists() else []
    done = {row["design"]: row for row in known}
    for file in files:
        if file.stem not in done:
            done[file.stem] = run_design(file, model, seconds)
            with kept.open("a") as rows:
                rows.write(json.dumps(done[file.stem]) + "\n")
        yield done[file.stem]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the designs asked for, write their table."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    ask.add_argument("--model", default="rod", choices=["rod", "shell"])
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--count", type=int, default=200)
    ask.add_argument("--plain", action="store_true", help="no obstacles, odd slots, pushes on the bench")
    ask.add_argument("--seconds", type=float, default=60.0, help="CPU time of each")
    ask.add_argument("--files", type=Path, help="a folder of case files to run instead")
    ask.add_argument("--table", type=Path)
    told = ask.parse_args(arguments)
    where = told.table or ROOT / "results" / "reference" / f"random-designs-{told.model}.md"
    kept = where.with_suffix(".jsonl")
    heading = f"{'Plain random' if told.plain else 'Random'} designs, {told.model}, {told.seconds:g} s each"
    compile_loops(told.model, lambda: None, lambda: False)  # or the first one would pay for it
    start, rows = time.monotonic(), []
    with tempfile.TemporaryDirectory() as folder:
        if told.files:
            files = sorted(told.files.glob("*.toml"))[told.first : told.first + told.count]
        else:
            files = [
                Path(folder) / f"{number:06d}.toml" for number in range(told.first, told.first + told.count)
            ]
            for file in files:
                file.write_text(design(int(file.stem), PLAIN if told.plain else WIDE))
        for row in survey(files, told.model, told.seconds, kept):
            rows.append(row)
            where.write_text(table(rows, heading), encoding="utf-8")
            if row["outcome"] in NO_VERDICT:
                print(f"{row['design']}  {row['outcome']}  {row['cpu']:.1f} s  {row['message']}", flush=True)
    missed = sum(row["outcome"] in NO_VERDICT for row in rows)
    print(f"{len(rows)} designs, {missed} without a verdict, {time.monotonic() - start:.0f} s; {where}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
