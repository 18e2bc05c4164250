"""Facts of a state, and the same in words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_cases import small_case

from fem.rod.axle_clamp import RodAxleClamp
from fem.rod.fields import RodFields
from fem.rod.model import build_rod_model
from fem.simulation.assembly import assemble
from fem.simulation.failure import AT_SLOT, evidence, facts
from fem.simulation.jam_modes import Facts
from fem.simulation.kept_contact import KeptContact

QUIET = Facts(
    lift=4.0, coil_start=12.0, coil_end=20.0, slot=30.0, mouth=31.5, sharpest=2.0, curvature=0.24,
    casing_contact=1.0, wrap_contact=0.0, bend=0, compression=2.0, compression_station=17.0, sharp_limit=0.35,
)  # fmt: skip


def test_evidence_gives_the_numbers() -> None:
    lines = evidence(replace(QUIET, bend=2, wrap_contact=7.0), 40.0, 25.0, 4.2)
    text = "\n".join(lines)
    assert "0.240 /mm (radius 4.2 mm) at 2.0 mm from the root, at the root" in text
    assert "1.0 rad and on itself over 7 mm" in text
    assert "2.00 N at 17.0 mm" in text
    assert "asked for 40.0 N mm, motor has 25.0 N mm" in text
    assert "turned 4.2 rad while the strip did not move" in text
    assert "bend 2 stands at the slot" in text
    assert len(evidence(QUIET, 40.0, None, None)) == 3


def test_facts_of_an_assembled_strip(tmp_path: Path) -> None:
    runs = "{ straight = 8.0 }, { bend = 20.0, radius = 20.0 }, { straight = 30.0 }"
    case = small_case(tmp_path, runs=runs)
    model = build_rod_model(case)
    stepper = assemble(model, RodAxleClamp(model))
    assert not isinstance(stepper, str)
    assert model.walls is not None
    fields = RodFields.build(model.rod, model.rod.nodes, 3)
    mark = case.strip.path.bends[0]
    contact = KeptContact(model.walls.state(stepper.u, model.walls.record()))
    inside = facts(case, fields.state(stepper.u), contact, mark.end + AT_SLOT - 0.1)
    beyond = facts(case, fields.state(stepper.u), contact, mark.end + AT_SLOT + 0.1)
    assert (inside.bend, beyond.bend) == (1, 0)
    assert inside.mouth == pytest.approx(inside.slot + case.slot.length)
    assert inside.sharp_limit == pytest.approx(1.5 / 4.4)
    assert inside.wrap_contact == 0.0
    # nothing is wound: no coil lies on the casing, and nothing pushes
    assert inside.casing_contact < 0.5
    assert inside.compression < 0.5
