"""Remedies tried: what each does, which is best, which pair; and each row is the run of the case it names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from small_cases import CYCLE, motor, small_case
from stand_in_runs import StandIn, made_result, push_of

from fem.case.definition import Case, read_case
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.results.outcome import NoResult, Status
from fem.results.result import Result
from fem.simulation.run import run_case
from fem.study.remedies import Remedies, rank, remedies, remedies_of
from fem.study.study import Options, Study
from fem.study.table import Row


def of_text(made: Remedies, text: str) -> Row:
    return next(one.row for one in made.singles if one.text.startswith(text))


def test_every_remedy_of_the_mode_is_tried_and_told(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = remedies(case_of(15.0))
    assert made.base.status == Status.JAMMED and made.base.asked == pytest.approx(push_of(made.case) / 15.0)
    assert of_text(made, "friction 0.1 -> 0.06").went
    assert of_text(made, "thickness 0.8 -> 0.68").asked == pytest.approx(made.base.asked * 0.85**3)
    stiff = of_text(made, "thickness").number("stiffness_out_N_per_mm")
    assert stiff == pytest.approx(0.85**3 * made.base.number("stiffness_out_N_per_mm"))
    assert [rank(one.row) for one in made.singles] == sorted(rank(one.row) for one in made.singles)


def test_the_best_comes_out_within_its_strain_limit_and_uses_least(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    made = remedies(case_of(15.0))
    best, pair = made.best, made.best_pair
    assert best is not None and best.text.startswith("thickness"), "both less torque and less strain"
    assert pair is not None and pair.row.sound and len(made.pairs) == 3
    assert made.best_of_all is best, "one change before two that mend no more"
    best_case = made.best_case()
    assert best_case is not None and push_of(best_case) < 15.0


def test_a_pair_is_named_where_no_single_one_helps(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = remedies(case_of(8.5))
    assert not any(one.row.sound for one in made.singles) and made.best is not None
    assert made.best_pair is not None and made.best_pair.row.sound
    assert made.best_of_all is made.best_pair and " and " in made.best_pair.text
    names = [move.names for move in made.best_pair.moves]
    assert not names[0] & names[1]


def test_where_nothing_is_better_nothing_is_named(runs: StandIn, case_of: Callable[..., Case]) -> None:
    runs.law = lambda case: 1000.0
    made = remedies(case_of(15.0))
    assert made.best is None and made.best_pair is None and made.best_case() is None
    with pytest.raises(InputError, match="no remedy is better"):
        made.write(Path("new.toml"))


def test_the_best_is_written_as_a_case(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = remedies(case_of(15.0))
    file = made.write(Path("better.toml"))
    assert made.best is not None and read_case(file).digest == made.best.row.digest
    assert "bending stiffness falls with its cube" in " ".join(file.read_text().replace("\n# ", " ").split())


def test_a_design_that_is_strained_too_far_is_mended_too(runs: StandIn, case_of: Callable[..., Case]) -> None:
    def trouble(case: Case) -> Result | None:
        strain = 1.5 * case.strip.thickness
        word = Status.DEPLOYED_STRAINED if strain > 1.0 else Status.DEPLOYED
        numbers = {"retract_torque_peak_Nmm": 2.0, "deploy_torque_peak_Nmm": 3.0, "strain_share_peak": strain,
                   "motor_stall_torque_at_axle_Nmm": 15.0, "travel_left_mm": 0.1}  # fmt: skip
        return made_result(case, word, numbers) if hasattr(case.push, "safe_travel") else None

    runs.trouble = trouble
    made = remedies(case_of(15.0))
    assert made.base.went and not made.base.sound
    assert any("axle.radius" in one.row.values for one in made.singles)
    assert any(one.words == "change materials" for one in made.untried)
    assert made.best is not None and made.best.text.startswith("thickness") and made.best.row.asked == 0.2


def test_a_remedy_that_cannot_be_computed_costs_the_others_nothing(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    def trouble(case: Case) -> Result | None:
        if case.friction.strip < 0.1:
            return made_result(case, Status.NOT_CONVERGED, {}, sentence="It got stuck.")
        return None

    runs.trouble = trouble
    made = remedies(case_of(15.0))
    assert made.singles[-1].row.status == Status.NOT_CONVERGED
    assert made.best is not None and made.best.row.sound


def test_a_case_without_a_verdict_has_nothing_to_mend(runs: StandIn, case_of: Callable[..., Case]) -> None:
    runs.trouble = lambda case: made_result(case, Status.NOT_CONVERGED, {}, sentence="It got stuck.")
    with pytest.raises(InputError, match=r"no verdict to mend .*It got stuck"):
        remedies(case_of(15.0))


def test_a_stop_tells_what_is_there(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of(15.0)) as study:
        study.observer.stopping = True  # type: ignore[misc]
        made = remedies_of(study)
    assert made.base.status == NoResult.STOPPED and made.singles == () and made.best is None


def test_the_document_has_the_agreed_shape(runs: StandIn, case_of: Callable[..., Case]) -> None:
    document = remedies(case_of(15.0)).document()
    assert (document["schema"], document["case"], document["present"]["status"]) == (
        1,
        "small",
        Status.JAMMED,
    )
    assert set(document["remedies"][0]) >= {"text", "values", "status", "quantities"}
    assert document["best"].startswith("thickness") and len(document["pairs"]) == 3
    assert set(document["remedies"][0]["values"]) == {"strip.layers[1].thickness"}


def test_a_row_is_the_ordinary_run_of_the_case_it_names(tmp_path: Path) -> None:
    """A real strip: what the table says of its best remedy is what an ordinary run of that case says."""
    case = small_case(tmp_path, CYCLE, friction=0.4, extra=motor(7.5))
    with Study(case, options=Options(store=tmp_path / "studies")) as study:
        (base,) = study.run([{}])
        (row,) = study.run([{"friction": 0.24}])
    assert base.status == Status.JAMMED
    whole = run_case(changed(case, row.changes))
    assert row.status == whole.status and row.sound
    numbers = {name: number.value for name, number in whole.quantities.items()}
    assert row.asked == max(numbers["retract_torque_peak_Nmm"], numbers["deploy_torque_peak_Nmm"]) / 7.5
    assert replace(row, quantities={}).went
