"""When energies no longer add up: at once, bit by bit, and when they do."""

from fem.simulation.energy_guard import BROKEN, DRIFTED, unsound


def row(closure: float, numerical: float = 0.0) -> dict[str, float]:
    return {"audit_closure_Nmm": closure, "loss_numerical_Nmm": numerical}


def test_energies_that_add_up_are_sound() -> None:
    assert unsound(row(0.0), row(0.05), 0.04, 1.0) == ""
    assert unsound(row(0.0), row(0.0, 5.0), 0.0, 1.0) == ""  # what a snap loses is no fault


def test_energy_from_nowhere_within_one_step_is_told() -> None:
    assert unsound(row(0.0), row(0.11), 0.0, 1.0) == BROKEN
    assert unsound(row(0.0), row(0.0, -0.11), 0.0, 1.0) == BROKEN


def test_energy_that_comes_or_goes_bit_by_bit_is_told() -> None:
    assert unsound(row(0.09), row(0.11), 0.0, 1.0) == DRIFTED
    assert unsound(row(0.0), row(0.0), 0.11, 1.0) == DRIFTED
