"""What `compare` calls a change: real runs of a small case, with case, settings and program altered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_results import jammed
from small_cases import CYCLE, motor, small_case

import fem.rod.section_tables
from fem.case.definition import Case, read_case
from fem.case.tolerance import TOLERANCES, general
from fem.results.baseline import Baseline, accepted, numbers
from fem.results.compare import CODE, DESIGN, MESH, SAME, STATUS, Comparison, Difference, compare
from fem.results.outcome import Status
from fem.results.result import BendPassage, Quantity, Result
from fem.simulation.jam_modes import JamMode
from fem.simulation.run import run_case

PLAIN: dict[str, object] = {"friction": 0.1, "extra": motor(30.0)}


def case_of(folder: Path, **changes: object) -> Case:
    return small_case(folder, CYCLE, **(PLAIN | changes))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cases")


@pytest.fixture(scope="module")
def old(folder: Path) -> tuple[Case, Result, Baseline]:
    case = case_of(folder)
    result = run_case(case)
    assert result.status == Status.DEPLOYED
    return case, result, accepted(case, result, "first", None)


Old = tuple[Case, Result, Baseline]


def against(old: Old, case: Case, result: Result | None = None) -> Comparison:
    return compare(case, result or run_case(case), old[2])


def named(made: Comparison, name: str) -> Difference:
    return next(number for number in made.numbers if number.quantity == name)


def with_quantities(result: Result, **quantities: Quantity | None) -> Result:
    """The result with some quantities replaced, or removed (None)."""
    mixed: dict[str, Any] = dict(result.quantities) | quantities
    return replace(result, quantities={name: value for name, value in mixed.items() if value is not None})


# ---- real runs ---------------------------------------------------------------------------------------------


def test_a_second_run_is_the_same(old: Old) -> None:
    made = against(old, old[0])
    assert (made.kind, made.fails, made.keys, made.telling, made.notes) == (SAME, False, (), (), ())
    assert {number.verdict for number in made.numbers} == {"same"}
    assert {curve.verdict for curve in made.curves} == {"same"}
    assert {curve.phase for curve in made.curves} == {"retract", "deploy"}


def test_a_planted_change_of_the_section_stiffness_is_a_code_regression(
    old: Old, monkeypatch: pytest.MonkeyPatch
) -> None:
    reduced = fem.rod.section_tables.rod_reduced
    monkeypatch.setattr(fem.rod.section_tables, "rod_reduced", lambda abd: 1.05 * reduced(abd))
    made = against(old, old[0])
    assert (made.kind, made.fails, made.cause, made.keys) == (CODE, True, CODE, ())
    assert made.case == "small"
    assert "retract_torque_peak_Nmm" in {number.quantity for number in made.telling}
    assert named(made, "retract_torque_peak_Nmm").change == pytest.approx(0.05, abs=0.02)
    curve = next(curve for curve in made.curves if curve.phase == "retract")
    assert curve.verdict == "beyond" and curve.place is not None


def test_a_changed_thickness_is_a_design_change_with_its_effects(old: Old, folder: Path) -> None:
    made = against(old, case_of(folder, thickness=1.0))
    assert (made.kind, made.fails) == (DESIGN, False)
    assert [str(key) for key in made.keys] == ["strip.layers[1].thickness: 0.8 -> 1"]
    # the bending stiffness of the flattened strip goes with the cube of the thickness
    assert 1.2 < 1.0 + named(made, "retract_torque_peak_Nmm").change < (1.0 / 0.8) ** 3 * 1.2
    assert named(made, "retract_torque_peak_Nmm").verdict == "beyond"


def test_a_changed_element_is_a_mesh_change(old: Old, folder: Path) -> None:
    case_of(folder)
    file = folder / "small.toml"
    file.write_text(file.read_text().replace("element = 2.5", "element = 3.0"))
    made = against(old, read_case(file))
    assert (made.kind, made.fails) == (MESH, False)
    assert [str(key) for key in made.keys] == ["solver.element: 2.5 -> 3"]


def test_another_status_is_shouted_whatever_the_cause(folder: Path) -> None:
    rough = case_of(folder, friction=0.4, extra=motor(60.0))
    out = run_case(rough)
    peak = out.quantities["deploy_torque_peak_Nmm"].value
    assert peak > out.quantities["retract_torque_peak_Nmm"].value + 0.2
    weak = case_of(folder, friction=0.4, extra=motor(peak - 0.1))
    jams = run_case(weak)
    old = (rough, out, accepted(rough, out, "rough", None))
    made = against(old, weak, jams)
    assert made.status == (Status.DEPLOYED, Status.JAMMED)
    assert (made.kind, made.cause, made.fails) == (STATUS, DESIGN, True)
    assert made.mode[0] == "" and made.mode[1]
    assert named(made, "jam_torque_Nmm").verdict == "new"
    back = compare(old[0], old[1], accepted(weak, jams, "weak", None))
    assert (back.kind, back.status) == (STATUS, (Status.JAMMED, Status.DEPLOYED))
    assert named(back, "jam_travel_mm").verdict == "vanished"


def test_every_number_of_a_run_has_its_tolerance(old: Old) -> None:
    """So that a case can give its own for any of them."""
    assert {general(name) for name in numbers(old[1])} <= TOLERANCES.keys()
    assert {general(name) for name in numbers(jammed_of(old))} <= TOLERANCES.keys() | MADE_UP


@pytest.mark.parametrize("push", ['kind = "bend"\nangle = 60.0', 'kind = "column"\nends = "pinned"'])
def test_so_has_every_number_of_a_bench_push(folder: Path, push: str) -> None:
    case = small_case(folder, push)
    result = run_case(case)
    assert {general(name) for name in numbers(result)} <= TOLERANCES.keys()
    made = compare(case, result, accepted(case, result, "first", None))
    assert made.kind == SAME
    assert [curve.phase for curve in made.curves] == ["push"]


def test_curves_of_other_loads_are_not_laid_over_each_other(folder: Path) -> None:
    bent = small_case(folder, 'kind = "bend"\nangle = 60.0')
    base = accepted(bent, run_case(bent), "bent", None)
    column = small_case(folder, 'kind = "column"\nends = "pinned"')
    made = compare(column, run_case(column), base)
    assert [(curve.phase, curve.verdict) for curve in made.curves] == [("push", "vanished")]
    assert named(made, "moment_end_Nmm").verdict == "vanished"
    assert named(made, "force_end_N").verdict == "new"
    assert 'push.kind: "bend" -> "column"' in [str(key) for key in made.keys]


# ---- results altered by hand -------------------------------------------------------------------------------

MADE_UP = {"retract_torque_peak", "deploy_torque_peak", "safe_travel"}
"""Names that only made-up results have."""


def jammed_of(old: Old) -> Result:
    """A jammed result for the case of `old`."""
    return replace(jammed(), case_name="small", provenance=old[1].provenance)


def test_a_vanished_and_a_new_quantity_are_both_told_and_either_fails(old: Old) -> None:
    case, result, _ = old
    both = with_quantities(result, axle_turns=None, brand_new_mm=Quantity(3.0, "mm"))
    made = against(old, case, both)
    assert made.kind == CODE
    assert {number.quantity: number.verdict for number in made.telling} == {
        "axle_turns": "vanished", "brand_new_mm": "new",
    }  # fmt: skip
    assert against(old, case, with_quantities(result, brand_new_mm=Quantity(3.0, "mm"))).kind == CODE


@pytest.mark.parametrize(
    "emptied",
    [
        {"quantities": {}}, {"bends": ()}, {"path": {}}, {"closure_error": math.nan},
        {"path": {"phase": ()}, "thinned_within": {}},
    ],
)  # fmt: skip
def test_a_reference_that_was_emptied_guards_nothing_and_is_a_difference(
    old: Old, emptied: dict[str, Any]
) -> None:
    """With nothing to compare everything was "new", and nothing failed."""
    case, result = old[0], replace(old[1], bends=(BendPassage(1, 32.0, 27.7, 2.4, 30.0),))
    baseline = accepted(case, result, "first", None)
    assert compare(case, result, baseline).kind == SAME
    made = compare(case, result, baseline.model_copy(update=emptied))
    assert made.kind == CODE and made.fails


def test_a_number_that_was_emptied_is_a_difference(old: Old) -> None:
    case, result, baseline = old
    for name, quantity in baseline.quantities.items():
        if math.isnan(result.quantities[name].value):
            continue
        emptied = dict(baseline.quantities) | {name: replace(quantity, value=math.nan)}
        made = compare(case, result, baseline.model_copy(update={"quantities": emptied}))
        assert made.kind == CODE and named(made, name).verdict == "new"


def test_a_number_that_became_nan_has_vanished(old: Old) -> None:
    case, result, _ = old
    made = against(old, case, with_quantities(result, axle_turns=Quantity(math.nan, "")))
    assert named(made, "axle_turns").verdict == "vanished" and made.kind == CODE


@pytest.mark.parametrize(
    ("factor", "verdict", "kind"),
    [(1.0 + 1e-8, "same", SAME), (1.015, "within", SAME), (1.03, "beyond", CODE), (0.97, "beyond", CODE)],
)
def test_a_number_may_move_by_its_tolerance(old: Old, factor: float, verdict: str, kind: str) -> None:
    case, result, _ = old
    value = factor * result.quantities["retract_torque_peak_Nmm"].value
    made = against(old, case, with_quantities(result, retract_torque_peak_Nmm=Quantity(value, "N mm")))
    assert (named(made, "retract_torque_peak_Nmm").verdict, made.kind) == (verdict, kind)


def test_a_case_gives_its_own_tolerance(old: Old) -> None:
    case, result, _ = old
    value = 1.03 * result.quantities["retract_torque_peak_Nmm"].value
    moved = with_quantities(result, retract_torque_peak_Nmm=Quantity(value, "N mm"))
    assert against(old, replace(case, tolerances={"retract_torque_peak_Nmm": 0.04}), moved).kind == SAME
    assert against(old, replace(case, tolerances={"strain_peak": 0.04}), moved).kind == CODE


def test_beyond_a_jam_numbers_are_looked_at_with_half_an_eye(old: Old) -> None:
    case, _, _ = old
    there = with_quantities(jammed_of(old), deploy_torque_peak_Nmm=Quantity(300.0, "N mm"))
    base = accepted(case, there, "jams", None)
    half_eye = compare(case, with_quantities(there, deploy_torque_peak_Nmm=Quantity(360.0, "N mm")), base)
    assert half_eye.kind == SAME
    assert (
        compare(case, with_quantities(there, deploy_torque_peak_Nmm=Quantity(399.0, "N mm")), base).kind
        == CODE
    )


def test_beyond_a_jam_curves_are_not_compared_up_to_it_they_are(old: Old) -> None:
    case, _, _ = old
    there = jammed_of(old)
    travel, torque = (there.column(name).copy() for name in ("travel_mm", "torque_Nmm"))
    jam = 260
    assert there.jam is not None
    there = replace(there, jam=replace(there.jam, travel_mm=travel[jam], torque_Nmm=torque[jam]))
    base = accepted(case, there, "jams", None)
    torque[jam + 1 :] *= 2.0
    made = compare(case, with_path(there, torque_Nmm=torque), base)
    assert made.kind == SAME
    assert {curve.verdict for curve in made.curves} == {"same"}
    torque[jam - 20 : jam] *= 2.0
    assert compare(case, with_path(there, torque_Nmm=torque), base).kind == CODE


def test_another_jam_is_a_regression_even_with_equal_numbers(old: Old) -> None:
    case, _, _ = old
    there = jammed_of(old)
    assert there.jam is not None
    base = accepted(case, there, "jams", None)
    other = compare(case, replace(there, jam=replace(there.jam, mode=JamMode.MOTOR_TOO_WEAK)), base)
    assert other.kind == CODE
    assert other.mode == (JamMode.COIL_LOCKS, JamMode.MOTOR_TOO_WEAK)


def with_path(result: Result, **columns: Any) -> Result:
    path: Mapping[str, Any] = dict(result.path) | columns
    return replace(result, path=path)


def test_a_peak_that_moves_along_the_curve_is_found_with_its_place(old: Old) -> None:
    """No single number moves: only the curve tells."""
    case, result, _ = old
    inward = result.column("phase") == 1
    angle, torque = result.column("axle_angle_rad"), result.column("torque_Nmm").copy()
    height = float(np.ptp(torque[inward]))
    reach = float(np.ptp(angle[inward]))
    bump = 0.5 * height * np.exp(-(((angle - 0.3 * reach) / (0.05 * reach)) ** 2)) * inward
    shifted = 0.5 * height * np.exp(-(((angle - 0.4 * reach) / (0.05 * reach)) ** 2)) * inward
    base = accepted(case, with_path(result, torque_Nmm=torque + bump), "bump", None)
    made = compare(case, with_path(result, torque_Nmm=torque + shifted), base)
    curve = next(curve for curve in made.curves if curve.phase == "retract")
    assert made.kind == CODE and not made.telling
    assert curve.verdict == "beyond"
    assert 0.05 < curve.distance < 0.15  # a tenth, but for what the bump stands on
    assert curve.place is not None and curve.place.names == ("travel_mm", "torque_Nmm")
    travel = float(np.interp(0.35 * reach, angle[inward], result.column("travel_mm")[inward]))
    assert abs(curve.place.new[0] - travel) < 0.15 * float(np.ptp(result.column("travel_mm")))


def test_the_same_curve_with_other_rows_is_the_same(old: Old) -> None:
    case, result, _ = old
    pieces = []
    for phase in np.unique(result.column("phase")):
        rows = np.flatnonzero(result.column("phase") == phase)
        places = np.linspace(rows[0], rows[-1], 3 * (len(rows) - 1) + 1)
        pieces.append([np.interp(places, np.arange(result.rows), one) for one in result.path.values()])
    path = dict(zip(result.path, np.concatenate(pieces, axis=1), strict=True))
    made = against(old, case, replace(result, path=path))
    assert made.kind == SAME
    assert {curve.verdict for curve in made.curves} == {"same"}
    for curve in made.curves:
        assert curve.distance < 0.005


def test_a_vanished_curve_is_a_regression(old: Old) -> None:
    case, result, _ = old
    inward = result.column("phase") < 2
    made = against(old, case, replace(result, path={k: v[inward] for k, v in result.path.items()}))
    assert made.kind == CODE
    assert {curve.phase: curve.verdict for curve in made.curves} == {
        "retract": "same", "deploy": "vanished",
    }  # fmt: skip


def test_a_program_that_fills_in_other_values_has_changed_itself(old: Old) -> None:
    case, result, _ = old
    content = dict(case.content) | {"solver": dict(case.content["solver"]) | {"brand_new": 1.0}}
    other = replace(case, content=content, digest="other", design_digest=case.design_digest)
    value = 2.0 * result.quantities["retract_torque_peak_Nmm"].value
    made = compare(other, with_quantities(result, retract_torque_peak_Nmm=Quantity(value, "N mm")), old[2])
    assert (made.kind, made.cause) == (CODE, CODE)
    assert [str(key) for key in made.keys] == ["solver.brand_new: none -> 1"]
    assert "the program fills in other values" in made.notes[0]


def test_a_design_change_says_when_the_program_changed_too(old: Old, folder: Path) -> None:
    case = case_of(folder, width=10.5)
    newer = replace(old[1], provenance=dict(old[1].provenance) | {"code_digest": "x", "gmsh": "9.9"})
    made = compare(case, newer, old[2])
    assert made.kind == DESIGN
    assert "the program has changed too" in made.notes[0]
    assert made.notes[1].endswith("gmsh 4.15.2 -> 9.9")


def test_not_converged_is_told_as_numerical(old: Old) -> None:
    made = against(old, old[0], replace(old[1], status=Status.NOT_CONVERGED))
    assert (made.kind, made.fails) == (STATUS, True)
    assert "this says nothing about the design" in made.notes[0]
