"""The torque without friction against the energy stored; source, tolerance, reason: the registry."""

import pytest

from fem.verification.energy_balance import ENERGY_CHECKS, cycle_work
from fem.verification.published import run_check
from fem.verification.verify import KNOWN_MISSES, SLOW


def marks(name):
    slow = [pytest.mark.slow] if name.startswith(SLOW) else []
    known = [pytest.mark.xfail(reason=why) for begin, why in KNOWN_MISSES.items() if name.startswith(begin)]
    return [*slow, *known]


@pytest.mark.parametrize("check", [pytest.param(c, marks=marks(c.name), id=c.name) for c in ENERGY_CHECKS])
def test_the_torque_is_the_slope_of_the_energy(check):
    found = run_check(check)
    assert found.ok, f"{check.source}: error {found.error:.2e}"


def test_the_check_sees_the_drag_of_an_artificial_mass(monkeypatch):
    # with all of the artificial mass the axle drags the strip along
    import fem.simulation.retract_deploy as cycle
    from fem.solvers.implicit_dynamics import FULL
    from fem.verification import energy_balance

    energy_balance._rows.cache_clear()
    monkeypatch.setattr(cycle, "QUASISTATIC", FULL)
    try:
        assert cycle_work("flat strip of 60 mm", "rod") > 0.05
    finally:
        energy_balance._rows.cache_clear()
