"""Short cases against the numbers they gave earlier, key by key, each with the band it may move in.

To accept new numbers on purpose: run this file as a script, read what changed, commit small_cases.json.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "unit"))

from small_cases import CYCLE, small_case  # noqa: E402 (a script has no test settings)

from fem.simulation.run import run_case  # noqa: E402

BASELINE = HERE / "small_cases.json"

CASES: dict[str, tuple[str, dict[str, object], dict[str, float]]] = {
    # it pushes itself out: its torque is above zero in the last half millimetre alone, by as much as the last
    # row falls early or late there
    "cycle without friction": (CYCLE, {}, {"retract_torque_peak_Nmm": 0.05, "strain_peak": 0.05}),
    "cycle, friction 0.1": (
        CYCLE, {"friction": 0.1},
        {"retract_torque_peak_Nmm": 0.05, "deploy_torque_peak_Nmm": 0.3, "axle_turns": 0.05},
    ),
    "bend, equal sense": (
        'kind = "bend"\nangle = 60.0', {}, {"moment_end_Nmm": 1e-3, "stiffness_start": 1e-2},
    ),
    "bend, opposite sense": ('kind = "bend"\nangle = -60.0', {}, {"moment_end_Nmm": 1e-3}),
    "column, pinned": ('kind = "column"\nends = "pinned"', {}, {"force_end_N": 1e-3}),
    "press": ('kind = "press"\nforce = 0.1', {}, {"stiffness_N_per_mm": 1e-2}),
}  # fmt: skip
"""Push, what differs from the plain small case, and the relative band of each number. What friction and snaps
amplify (the hardest push out of the coil) has a wide one: it moves with the step size by as much.
"""


def numbers(name: str, folder: Path) -> dict[str, object]:
    push, changes, bands = CASES[name]
    result = run_case(small_case(folder, push, **changes))
    return {"status": result.status} | {key: float(result.quantities[key].value) for key in bands}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_those_accepted(name: str, tmp_path: Path) -> None:
    accepted, now, bands = json.loads(BASELINE.read_text())[name], numbers(name, tmp_path), CASES[name][2]
    assert accepted.keys() == now.keys()
    assert now.pop("status") == accepted.pop("status")
    for key, value in now.items():
        assert value == pytest.approx(accepted[key], rel=bands[key]), key


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        made = {name: numbers(name, Path(folder)) for name in CASES}
    BASELINE.write_text(json.dumps(made, indent=1) + "\n")
