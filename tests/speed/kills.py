"""A batch killed again and again at random moments, and the same batch left alone.

    python tests/speed/kills.py [KILLS]

from the root. SIGKILL goes to the whole process group; a life lasts from SHORTEST to LONGEST seconds of the
clock, whatever the command does meanwhile. Seven cases of the rod, one after the other. Ends with an error
where a number differs, or where the batch was done before it had been killed so often.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "unit"), str(ROOT)]

from batch_jobs import same_numbers
from small_cases import CYCLE, motor, small_text

SHORTEST, LONGEST, SEED = 1.0, 5.0, 11
FINE = "element = 0.5\nelement_fine = 0.5\ncontact_spacing = 0.3\nturn = 0.4\n"
CASES = {"bench": small_text('kind = "column"\nends = "pinned"')}
for rub in (0.35, 0.4, 0.45):
    CASES[f"jams-{rub}"] = small_text(CYCLE, friction=rub, extra=motor(14.0))
for rub in (0.05, 0.1, 0.15):
    CASES[f"out-{rub}"] = small_text(CYCLE, friction=rub, runs="{ straight = 60.0 }")


def finer(text: str) -> str:
    """The text of a small case that takes longer."""
    start, _, rest = text.partition("[solver]\n")
    return start + "[solver]\n" + FINE + rest.partition("contact_spacing = 0.8\n")[2]


def command(folder: Path) -> "subprocess.Popen[bytes]":
    line = [sys.executable, "-m", "fem", "run", "cases", "--no-pictures"]
    return subprocess.Popen(
        line, cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def killed(folder: Path, kills: int) -> tuple[int, int]:
    """Kill the batch so often, or until it has ended; how often it was, and with work to lose."""
    moment, made, kept = random.Random(SEED), 0, 0
    while made < kills:
        running = command(folder)
        time.sleep(moment.uniform(SHORTEST, LONGEST))
        if running.poll() is not None:
            break
        os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        made += 1
        kept += bool(list((folder / "results" / "runs" / ".work").glob("*.checkpoint")))
    return made, kept


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    with tempfile.TemporaryDirectory() as place:
        folders = Path(place, "disturbed"), Path(place, "alone")
        for folder in folders:
            (folder / "cases").mkdir(parents=True)
            for name, text in CASES.items():
                (folder / "cases" / f"{name}.toml").write_text(finer(text))
        made, kept = killed(folders[0], kills)
        codes = [command(folder).wait() for folder in folders]
        same = {
            name: same_numbers(*(folder / "results" / "runs" / name for folder in folders)) for name in CASES
        }
        print(f"{made} kills, {kept} of them with a state kept; exit codes {codes}; same numbers: {same}")
        left = sorted(path.name for path in (folders[0] / "results" / "runs" / ".work").iterdir())
        print("left in .work:", ", ".join(left))
    if made < kills or not all(same.values()):
        sys.exit(1)


if __name__ == "__main__":
    main()
