"""What was kept of a run is put back as it was; what does not fit the case is refused before any loop reads
it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from small_cases import CYCLE, Stopping, small_case

from fem.case.definition import Case
from fem.core.atomic import MODELS
from fem.core.checkpoint import Checkpoint, Stopped
from fem.simulation.attempts import gone_on_with
from fem.simulation.kept_contact import StateRecord
from fem.simulation.kept_run import PlacingState, ProgramState, RunState
from fem.simulation.run import run_case

Change = Callable[[ProgramState], ProgramState]


@dataclass
class Given:
    """A keeper that has this state, and keeps nothing."""

    state: Any
    notes: list[str] = field(default_factory=list)
    deadline: float = np.inf

    def found(self, kind: type) -> Any:
        assert isinstance(self.state, kind)
        return self.state

    def offer(self, state: Callable[[], object]) -> None:
        pass

    def set_aside(self, why: str) -> None:
        self.notes.append(why)


@pytest.fixture(scope="module", params=MODELS)
def kept(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Case, str, ProgramState]:
    """A strip with a wrap on itself."""
    folder = tmp_path_factory.mktemp("kept")
    runs = "{ straight = 75.0 }"
    case = small_case(folder, CYCLE, friction=0.1, solver="turn = 11.0", runs=runs)
    with pytest.raises(Stopped):
        run_case(case, request.param, keeper=Checkpoint(folder / "state", {}, Stopping(75)))
    found = Checkpoint(folder / "state", {}).found(RunState)
    assert found is not None and found.program is not None
    assert len(found.program.log.contacts[-1].wraps[0]) > 3, "it touches itself"
    return case, request.param, found.program


def saved(change: Callable[..., Any]) -> Change:
    """A change of the state of the stepper."""

    def changed(state: ProgramState) -> ProgramState:
        assert state.stepper is not None
        return replace(state, stepper=replace(state.stepper, saved=change(state.stepper.saved)))

    return changed


def history(term: int, number: int, value: Callable[[NDArray[Any]], NDArray[Any]]) -> Change:
    """A change of one array of what a term with friction remembers."""

    def changed(state: Any) -> Any:
        histories = [list(each) for each in state.histories]
        histories[term][number] = value(histories[term][number])
        return replace(state, histories=tuple(tuple(each) for each in histories))

    return saved(changed)


def record(number: int, value: Callable[[NDArray[Any]], NDArray[Any]]) -> Change:
    """A change of one array of the last record of the wraps' contact."""

    def changed(state: ProgramState) -> ProgramState:
        *others, last = state.log.contacts
        wraps = list(last.wraps)
        wraps[number] = value(wraps[number])
        log = replace(state.log, contacts=(*others, StateRecord(last.walls, tuple(wraps))))
        return replace(state, log=log)

    return changed


def with_value(value: float) -> Callable[[NDArray[Any]], NDArray[Any]]:
    """An array with all its values replaced."""
    return lambda array: np.full_like(array, value)


def model(**changes: Any) -> Change:
    return lambda state: replace(state, model=replace(state.model, **changes))


UNFIT: dict[str, Change] = {
    "fewer unknowns": saved(lambda state: replace(state, u=state.u[:-1])),
    "no number": saved(lambda state: replace(state, u=state.u * np.nan)),
    "far away": saved(lambda state: replace(state, u=state.u * 1e9)),
    "speed of another strip": saved(lambda state: replace(state, v=np.zeros(3))),
    "no friction": saved(lambda state: replace(state, histories=())),
    "friction of one term": saved(lambda state: replace(state, histories=state.histories[:1])),
    "slip of another strip": history(1, 0, lambda slip: slip[:-1]),
    "history too short": saved(lambda state: replace(state, histories=((), ()))),
    "a pair beyond the strip": record(1, with_value(30000)),
    "a pair before the strip": record(1, with_value(-2)),
    "a place beyond the strip": record(0, with_value(30000)),
    "friction beyond the strip": lambda state: record(5, lambda rows: np.zeros((1, rows.shape[1])))(
        record(4, lambda at: np.array([1 << 30], dtype=np.int32))(state)
    ),
    "fewer pairs": record(1, lambda partner: partner[:-1]),
    "other columns": lambda state: replace(state, log=replace(state.log, names=state.log.names[::-1])),
    "fewer columns": lambda state: replace(state, log=replace(state.log, values=state.log.values[:, 1:])),
    "fewer rows": lambda state: replace(state, log=replace(state.log, values=state.log.values[1:])),
    "states of another strip": lambda state: replace(
        state, log=replace(state.log, states=tuple(u[1:] for u in state.log.states))
    ),
    "no stepper": lambda state: replace(state, stepper=None),
    "no penalty": model(stiffness=()),
    "a penalty below nothing": model(stiffness=(-1.0, 1.0)),
    "a wound state of another strip": lambda state: replace(
        state, wound=tuple((at, replace(one, u=one.u[1:])) for at, one in state.wound)
    ),
}


@pytest.mark.parametrize("change", UNFIT.values(), ids=UNFIT)
def test_what_does_not_fit_is_refused(kept: tuple[Case, str, ProgramState], change: Change) -> None:
    case, kind, state = kept
    with pytest.raises((ValueError, IndexError), match=r".+"):
        gone_on_with(case, kind, change(state))


def test_pairs_outside_the_strip_are_refused(kept: tuple[Case, str, ProgramState]) -> None:
    """In what the wraps remember of a step, too: the rod names its pairs third, the shell all points."""
    case, kind, state = kept
    number = {"rod": 4, "shell": 4}[kind]
    for value in (30000.0, -3.0):
        with pytest.raises(ValueError, match="pairs of another strip"):
            gone_on_with(case, kind, history(1, number, with_value(value))(state))


def test_settings_come_from_the_case(kept: tuple[Case, str, ProgramState]) -> None:
    """A file cannot ask for a mesh of its own."""
    case, kind, state = kept
    finer = replace(state.model.settings, element=1e-9)
    with pytest.raises(ValueError, match="settings"):
        gone_on_with(case, kind, model(settings=finer)(state))
    assert gone_on_with(case, kind, state).model.case.settings == case.settings


def test_a_run_begins_anew_where_the_state_does_not_fit(kept: tuple[Case, str, ProgramState]) -> None:
    case, kind, state = kept
    if kind == "shell":
        pytest.skip("the same lines of code, and slow")
    keeper = Given(RunState(program=UNFIT["a pair beyond the strip"](state)))
    made, whole = run_case(case, kind, keeper=keeper), run_case(case, kind)
    assert len(keeper.notes) == 1
    assert np.array_equal(made.path["torque_Nmm"], whole.path["torque_Nmm"])
    assert made.status == whole.status


def test_a_way_into_place_of_another_strip_is_set_aside(kept: tuple[Case, str, ProgramState]) -> None:
    case, kind, state = kept
    if kind == "shell":
        pytest.skip("the same lines of code, and slow")
    from fem.simulation.kept_run import PlacedStep

    assert state.stepper is not None
    backoff = state.stepper.saved.backoff
    keeper = Given(RunState(PlacingState((PlacedStep(np.zeros(4), ""),), (), backoff)))
    made = run_case(case, kind, keeper=keeper)
    assert len(keeper.notes) == 1
    assert np.array_equal(made.path["torque_Nmm"], run_case(case, kind).path["torque_Nmm"])
