"""How far a number may move is read from a case, and is no part of what is simulated."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from small_cases import NUMBERS, TEMPLATE, small_case

from fem.case.changes import key_changes
from fem.case.definition import Case, read_case
from fem.case.tolerance import TOLERANCES
from fem.core.errors import CaseError

Make = Callable[..., Case]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    return lambda **changes: small_case(tmp_path, **changes)


def test_tolerances_are_read_and_are_no_part_of_the_digests(make: Make) -> None:
    plain, own = make(), make(extra="[compare]\ndeploy_torque_peak_Nmm = 0.1\nbend_peak_push_N = 1")
    assert own.tolerances == {"deploy_torque_peak_Nmm": 0.1, "bend_peak_push_N": 1.0}
    assert (own.digest, own.design_digest) == (plain.digest, plain.design_digest)
    assert key_changes(plain.content, own.content, {}, {}) == ()


@pytest.mark.parametrize(
    ("line", "fact"),
    [
        ("deploy_torque_peak = 0.1", '"deploy_torque_peak_Nmm"'),
        ("strain_peak = 5", "<= 1, got 5"),
        ("strain_peak = 0", "> 0"),
        ("strain_peak = true", "true"),
        ('strain_peak = "0.1"', '"0.1"'),
        ("strain_peak = nan", "nan"),
    ],
)
def test_a_wrong_tolerance_is_one_fault(make: Make, line: str, fact: str) -> None:
    with pytest.raises(CaseError) as raised:
        make(extra=f"[compare]\n{line}")
    (fault,) = raised.value.faults
    assert fault.key.startswith("compare.") and fault.line is not None
    assert fact in fault.message


def test_compare_must_be_a_table(make: Make, tmp_path: Path) -> None:
    text = TEMPLATE.format(push='kind = "retract"', **NUMBERS).replace("[strip]", "compare = 1\n[strip]", 1)
    file = tmp_path / "odd.toml"
    file.write_text(text)
    with pytest.raises(CaseError, match=r"compare: .*1"):
        read_case(file)


def test_tolerances_are_positive() -> None:
    for name, known in TOLERANCES.items():
        assert known.allowed(1.0) > 0.0, name
