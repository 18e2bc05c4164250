"""Faults say where, which key and what; all of a file travel together."""

from __future__ import annotations

import pytest

from fem.core.errors import CaseError, Fault, InputError, MissingLibrary


def test_a_fault_reads_as_a_compiler_message() -> None:
    assert str(Fault("boom.toml", "slot.gap", "is too small", 14)) == "boom.toml:14: slot.gap: is too small"
    assert str(Fault("boom.toml", "slot.gap", "is too small")) == "boom.toml: slot.gap: is too small"
    assert str(Fault("boom.toml", "", "is a folder")) == "boom.toml: is a folder"


def test_all_faults_of_a_case_are_one_error_with_a_line_each() -> None:
    faults = (Fault("a.toml", "b", "c", 1), Fault("a.toml", "d", "e", 2))
    with pytest.raises(InputError) as caught:
        raise CaseError(faults)
    assert isinstance(caught.value, CaseError) and caught.value.faults == faults
    assert str(caught.value).splitlines() == [str(fault) for fault in faults]


def test_a_missing_library_is_bad_input_and_no_crash() -> None:
    assert issubclass(MissingLibrary, InputError)
