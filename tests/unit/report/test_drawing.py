"""The workshop drawings carry the dimensions of the case, within their frame."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import demo_cases
import made_results
import numpy as np
import pytest
from svg_words import cut_off, words

from fem.case.definition import Case, read_case
from fem.report.drawing import developed, section, side_view, stack, surroundings
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]
CASES = [read_case(file) for file in demo_cases.FILES]
NAME = "{http://www.w3.org/2000/svg}"


def said(text: str) -> str:
    return "\n".join(found[0] for found in words(text))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_nothing_is_cut_off_and_the_dimensions_are_there(case: Case) -> None:
    flat, through, profile = developed(case).text(), stack(case).text(), section(case, 30.0).text()
    for text in (flat, through, profile):
        assert cut_off(text) == []
    assert f"length {case.strip.length:.4g} mm" in said(flat)
    for bend in case.strip.path.bends:
        assert f"bend {bend.index}: {np.degrees(bend.angle):.3g}°, R {bend.radius:.3g}" in said(flat)
    for layer in case.strip.layers:
        assert f"{layer.material.name}, {layer.thickness:.3g} mm" in said(through)
    assert f"{case.strip.thickness:.3g} mm" in said(through)


def test_a_zone_is_drawn_where_it_lies() -> None:
    case = next(case for case in CASES if case.name == "boom-spine")
    text = developed(case).text()
    root = ET.fromstring(text)
    (zone,) = [node for node in root.iter(f"{NAME}rect") if "f-zone" in (node.get("class") or "")]
    outline = root.find(f"{NAME}path").get("d") or ""  # type: ignore[union-attr]
    level = [float(y) for _, y in re.findall(r"([\d.]+) ([\d.]+)", outline)]
    share = float(zone.get("height") or 0) / (max(level) - min(level))
    assert share == pytest.approx(4.0 / 12.0, rel=0.02)


def test_the_depth_of_an_arc_section_is_its_rise() -> None:
    """Rise of an arc of developed width w and radius R: R (1 - cos(w / 2R)), elementary geometry."""
    case = next(case for case in CASES if case.name == "boom-soft")
    rise = 9.0 * (1.0 - np.cos(12.0 / 18.0))
    assert f"depth {rise:.3g} mm" in said(section(case, 30.0).text())


def test_the_surroundings_are_drawn_to_scale() -> None:
    case = next(case for case in CASES if case.name == "boom-soft")
    shot = made_results.deployed().snapshots[0]
    text = surroundings(case, shot.obstacles, made_results.intended_path()).text()
    assert cut_off(text) == []
    assert f"axle R {case.axle.radius:.3g}" in said(text)
    root = ET.fromstring(text)
    bar = list(root.iter(f"{NAME}path"))[-1].get("d") or ""
    x = [float(value) for value in re.findall(r"[ML]([\d.]+)", bar)]
    size = float(re.search(r"(\d+) mm$", said(text)).group(1))  # type: ignore[union-attr]
    axle = next(n for n in root.iter(f"{NAME}path") if "f-axle" in (n.get("class") or "")).get("d") or ""
    across = [float(value) for value in re.findall(r"[ML]([\d.]+)", axle)]
    scale = (x[1] - x[0]) / size
    assert (max(across) - min(across)) / scale == pytest.approx(2 * made_results.AXLE, rel=0.01)


def test_a_jam_is_ringed_where_it_is() -> None:
    result = made_results.jammed()
    shot = result.critical()
    assert shot is not None and result.jam is not None
    text = side_view(shot, result.intended_path, result.jam).text()
    assert cut_off(text) == []
    assert f"jam: {JamMode.COIL_LOCKS}, 41.0 mm from the root" in said(text)
    assert ET.fromstring(text).find(f"{NAME}circle") is not None


def test_a_state_without_limits_is_drawn_grey() -> None:
    from dataclasses import replace

    shot = made_results.deployed().snapshots[1]
    bare = replace(shot, strain_share=np.full_like(shot.strain_share, np.nan))
    assert "#bebebe" in side_view(bare, made_results.intended_path(), None).text()
