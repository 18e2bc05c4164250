"""24 variants of a small case, one and two at a time; run from the root: python tests/speed/batch.py."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "unit"), str(ROOT)]

from small_cases import CYCLE, small_text

VARIANTS, WANTED = 24, 0.6


def processor_seconds(session: int) -> dict[int, float]:
    """Processor time [s] of every living process of a session, by its number (Linux)."""
    seconds = {}
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = file.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session:
            seconds[int(file.parent.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return seconds


def taken(folder: Path, at_a_time: int) -> tuple[float, float]:
    """Wall time and processor time [s] of the batch, everything computed."""
    command = [sys.executable, "-m", "fem", "run", "cases", "--fresh", "--no-pictures", "-j", str(at_a_time)]
    began = time.perf_counter()
    running = subprocess.Popen(
        command, cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    used: dict[int, float] = {}
    while running.poll() is None:
        used |= processor_seconds(running.pid)
        time.sleep(0.1)
    assert running.returncode == 0
    return time.perf_counter() - began, sum(used.values())


with tempfile.TemporaryDirectory() as place:
    cases = Path(place, "cases")
    cases.mkdir()
    for number in range(VARIANTS):
        text = small_text(CYCLE, friction=0.1, thickness=0.7 + 0.01 * number)
        Path(cases, f"v{number:02}.toml").write_text(text)
    print(f"load before: {os.getloadavg()[0]:.2f} on {os.cpu_count()} processors")
    (one, one_used), (two, two_used) = taken(Path(place), 1), taken(Path(place), 2)
    print(f"load after: {os.getloadavg()[0]:.2f}")
    print(f"-j 1: {one:.1f} s, -j 2: {two:.1f} s, {two / one:.2f} of it (wanted: <= {WANTED})")
    print(f"processor time {one_used:.1f} and {two_used:.1f} s: on two free processors about", end=" ")
    print(f"{0.5 * two_used / one_used:.2f}")
