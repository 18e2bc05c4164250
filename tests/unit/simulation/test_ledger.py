"""Running sums of energies: what closes, what a snap released, what is drag."""

from __future__ import annotations

import pytest

from fem.simulation.ledger import Entry, Ledger


def test_what_is_lost_is_released_in_a_snap_and_drag_elsewhere() -> None:
    ledger = Ledger(first_stored=1.0, scale=1.0)
    ledger.add(Entry(work=5.0, friction=2.0, damping=0.1, elastic=0.02, inertial=0.3, gone=0.0), False, 3.5)
    assert (ledger.drag, ledger.released) == (pytest.approx(0.4), 0.0)
    assert ledger.error(3.58) == pytest.approx(0.0)
    ledger.add(Entry(work=0.5, friction=0.0, damping=0.2, elastic=0.4, inertial=0.1, gone=0.05), True, 3.3)
    assert ledger.drag == pytest.approx(0.4)
    assert ledger.released == pytest.approx(0.2 + 0.4 + 0.1 + 0.05)
    assert ledger.gained == 0.0
    assert ledger.scale == pytest.approx(5.5)


def test_energy_from_nowhere_is_told() -> None:
    ledger = Ledger()
    ledger.add(Entry(work=0.0, friction=0.0, damping=0.0, elastic=0.0, inertial=0.0, gone=-0.7), False, 0.7)
    assert ledger.gained == pytest.approx(0.7)
    assert ledger.error(0.7) == pytest.approx(0.0)


def test_what_does_not_close_is_the_error() -> None:
    ledger = Ledger(work=10.0, friction=3.0, damping=1.0, numerical=0.5, first_stored=2.0)
    assert ledger.error(7.5) == pytest.approx(0.0)
    assert ledger.error(7.0) == pytest.approx(0.5)
