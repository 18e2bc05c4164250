"""Rows set to others or lessened by them, as slices of numpy would do; the pieces are asked uncompiled."""

from __future__ import annotations

import numpy as np
import pytest

from fem.jit import array_ops

VALUES = np.arange(12.0).reshape(4, 3)


@pytest.fixture
def uncompiled(monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    pieces = {name: getattr(array_ops, name).py_func for name in ("put", "less", "put_rows")}
    monkeypatch.setattr(array_ops, "put", pieces["put"])
    return pieces


def test_put_takes_as_many_as_there_is_room_for(uncompiled) -> None:
    out = np.full(2, np.nan)
    uncompiled["put"](VALUES[1], out)
    assert np.array_equal(out, VALUES[1, :2])


def test_less_takes_values_away(uncompiled) -> None:
    out = np.full(3, 10.0)
    uncompiled["less"](VALUES[2], out)
    assert np.array_equal(out, 10.0 - VALUES[2])


def test_rows_are_put_one_by_one(uncompiled) -> None:
    out = np.full((2, 3), np.nan)
    uncompiled["put_rows"](VALUES, out)
    assert np.array_equal(out, VALUES[:2])
