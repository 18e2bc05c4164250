"""Elasticities of runs where theory gives them.

Without weight everything that resists a linear strip is proportional to its modulus, contact and artificial
mass included, so that torques follow it with slope 1 and strains with slope 0 (dimensional analysis). The tip
stiffness of a flat strip is that of a plate strip in bending, E t^3 / (12 (1 - nu^2)) per width at most and
E t^3 / 12 at least (Timoshenko & Woinowsky-Krieger 1959, art. 2): slope 3 with thickness either way, slope 1
with the modulus.
"""

import math
from pathlib import Path

import pytest
from small_cases import CYCLE, small_case

from fem.study.sensitivity import Elasticity, elasticity
from fem.study.study import Options, Study

pytestmark = pytest.mark.slow


def slopes(
    study: Study, key: str, value: float, quantities: tuple[str, ...], factor: float = 1.05
) -> list[Elasticity]:
    low, base, high = study.run([{key: value / factor}, {}, {key: value * factor}])
    found = [elasticity(key, name, (low, base, high), 0.0, math.log(factor)) for name in quantities]
    assert all(one is not None for one in found)
    return [one for one in found if one is not None]


def test_torques_follow_the_modulus_and_strains_do_not(tmp_path: Path):
    case = small_case(tmp_path, CYCLE, friction=0.15)
    with Study(case, options=Options(store=tmp_path / "kept", runs=tmp_path)) as study:
        push, torque, strain = slopes(
            study, "materials.soft.young", 80.0,
            ("deploy_torque_peak_Nmm", "retract_torque_peak_Nmm", "strain_share_working"),
            factor=2.0,  # the law holds for any step, and is best seen over a large one: runs scatter by .1 %
        )  # fmt: skip
    assert push.value == pytest.approx(1.0, abs=0.01)
    assert torque.value == pytest.approx(1.0, abs=0.01)
    assert strain.value == pytest.approx(0.0, abs=0.01)


def test_tip_stiffness_of_a_flat_strip_follows_the_cube_of_its_thickness(tmp_path: Path):
    flat = small_case(tmp_path, CYCLE, section_radius=4000.0, friction=0.1)
    with Study(flat, options=Options(stiffness=True, store=tmp_path / "kept", runs=tmp_path)) as study:
        name = ("stiffness_out_N_per_mm",)
        assert slopes(study, "thickness", 0.8, name)[0].value == pytest.approx(3.0, abs=0.03)
        assert slopes(study, "materials.soft.young", 80.0, name)[0].value == pytest.approx(1.0, abs=0.01)
