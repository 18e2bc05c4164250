"""Rest paths: geometry of circles and straights, and agreement of position, heading and curvature."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad

from fem.design.path import BendRun, Path, Runs, Straight, Through

BOOM = Runs(
    (
        Straight(22.0),
        BendRun(math.radians(70.0), 12.0),
        Straight(15.0),
        BendRun(math.radians(-50.0), 15.0),
        Straight(20.0),
    ),
    5.0,
)
TIGHT = Runs((BendRun(math.radians(-80.0), 4.0), BendRun(math.radians(120.0), 3.0), Straight(1.5)), 3.0)
LEAF = Through(tuple((40.0 * math.sin(u), 15.0 - 15.0 * math.cos(u)) for u in np.linspace(0.0, 2.5, 21)))
EXAMPLES: dict[str, tuple[Path, ...]] = {
    "runs": (BOOM, TIGHT, Runs((Straight(50.0),), 0.0)),
    "through": (LEAF,),
}
ALL = [path for paths in EXAMPLES.values() for path in paths]


def test_every_kind_has_an_example() -> None:
    assert {cls.kind for cls in (Runs, Through)} == set(EXAMPLES)
    assert {type(path) for path in ALL} == {Runs, Through}


@pytest.mark.parametrize("path", ALL)
def test_starts_at_the_origin_heading_x(path: Path) -> None:
    assert path.position(0.0) == pytest.approx([0.0, 0.0], abs=1e-12)
    assert path.heading(0.0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("path", ALL)
def test_heading_and_curvature_are_derivatives(path: Path) -> None:
    s = np.linspace(0.02, 0.98, 97) * path.length
    e = 5e-5  # small enough for the joints, where the third derivative of the curvature jumps
    for value, slope in ((path.heading, path.curvature), (path.curvature, path.curvature_s)):
        found = (8.0 * (value(s + e) - value(s - e)) - value(s + 2 * e) + value(s - 2 * e)) / (12.0 * e)
        assert found == pytest.approx(slope(s), abs=1e-9)


@pytest.mark.parametrize("path", ALL)
def test_position_is_the_integral_of_the_tangent(path: Path) -> None:
    edges = np.linspace(0.0, path.length, 41)
    for axis, part in enumerate((np.cos, np.sin)):
        steps = [
            quad(lambda x, f=part: float(f(path.heading(x))), a, b, epsabs=1e-13, epsrel=1e-13)[0]
            for a, b in itertools.pairwise(edges)
        ]
        assert path.position(edges[1:])[:, axis] == pytest.approx(np.cumsum(steps), abs=1e-9)


def test_lone_bend_is_a_circle() -> None:
    for angle in (1.5 * math.pi, -1.5 * math.pi):
        bend = Runs((BendRun(angle, 12.0),), 0.0)
        s = np.linspace(0.0, bend.length, 11)
        sign = math.copysign(1.0, angle)
        assert bend.length == pytest.approx(18.0 * math.pi, rel=1e-14)
        assert np.hypot(bend.position(s)[:, 0], bend.position(s)[:, 1] - sign * 12.0) == pytest.approx(
            12.0, rel=1e-13
        )
        assert bend.position(bend.length) == pytest.approx([-12.0, sign * 12.0], abs=1e-12)
        assert bend.heading(s) == pytest.approx(sign * s / 12.0, abs=1e-13)


def test_coil_of_five_turns_closes() -> None:
    coil = Runs((BendRun(10.0 * math.pi, 12.0),), 0.0)
    assert coil.position(coil.length) == pytest.approx([0.0, 0.0], abs=1e-11)
    assert coil.position(0.9 * coil.length) == pytest.approx([0.0, 24.0], abs=1e-11)


def test_transitions_that_fill_a_run_exactly() -> None:
    """Whatever the rounding of the joints, no piece of zero or negative length is left."""
    rng = np.random.default_rng(0)
    for _ in range(30):
        angle, radius = rng.uniform(0.2, 1.0), rng.uniform(3.0, 9.0)
        path = Runs(
            (Straight(rng.uniform(9.0, 30.0)), BendRun(angle, radius), Straight(20.0)), angle * radius
        )
        assert np.all(np.diff(path.curve.breaks) > 0.1)
        assert path.heading(path.length) == pytest.approx(angle, abs=1e-13)


def test_runs_of_one_curvature_need_no_transition() -> None:
    split = Runs((BendRun(1.0, 4.0), BendRun(0.2, 4.0), Straight(10.0)), 1.2)
    whole = Runs((BendRun(1.2, 4.0), Straight(10.0)), 1.2)
    s = np.linspace(0.0, whole.length, 31)
    assert split.position(s) == pytest.approx(whole.position(s), abs=1e-12)
    assert len(split.bends) == 2


def test_transitions_keep_length_and_angle() -> None:
    for path in (BOOM, TIGHT):
        assert path.length == pytest.approx(sum(run.length for run in path.runs), rel=1e-14)
        turn = sum(run.angle for run in path.runs if isinstance(run, BendRun))
        assert path.heading(path.length) == pytest.approx(turn, abs=1e-13)
    # Each bend keeps its own angle: the heading half-way along each straight is the sum so far.
    assert math.degrees(float(BOOM.heading(11.0))) == pytest.approx(0.0, abs=1e-12)
    assert math.degrees(float(BOOM.heading(BOOM.bends[0].end + 7.5))) == pytest.approx(70.0, abs=1e-12)


def test_bends_have_their_radius_and_the_curvature_is_smooth() -> None:
    for mark in BOOM.bends:
        middle = 0.5 * (mark.start + mark.end)
        assert BOOM.curvature(middle) == pytest.approx(
            math.copysign(1.0 / mark.radius, mark.angle), rel=1e-12
        )
        for joint in (mark.start, mark.end):
            assert BOOM.curvature(joint) == pytest.approx(0.5 * BOOM.curvature(middle), rel=1e-12)
            for end in (joint - 2.5, joint + 2.5):
                assert BOOM.curvature_s([end - 1e-6, end + 1e-6]) == pytest.approx(0.0, abs=1e-9)
    # A full-length transition leaves no constant part: the short bend is all ramp, and still exact.
    short = Runs((Straight(10.0), BendRun(0.5, 8.0), Straight(10.0)), 4.0)
    assert short.curvature(12.0) == pytest.approx(1.0 / 8.0, rel=1e-12)
    assert short.heading(short.length) == pytest.approx(0.5, abs=1e-14)


def test_bend_marks_of_runs() -> None:
    first, second = BOOM.bends
    assert (first.index, second.index) == (1, 2)
    assert first.start == pytest.approx(22.0)
    assert first.end == pytest.approx(22.0 + math.radians(70.0) * 12.0)
    assert (first.angle, first.radius) == (math.radians(70.0), 12.0)
    assert second.start == pytest.approx(first.end + 15.0)
    assert second.angle == math.radians(-50.0)


def test_bend_marks_of_a_free_path() -> None:
    """Points along a path of known bends give those bends back."""
    s = np.linspace(0.0, BOOM.length, 121)
    marks = Through(tuple(map(tuple, BOOM.position(s)))).bends
    assert [mark.index for mark in marks] == [1, 2]
    for mark, wanted in zip(marks, BOOM.bends, strict=True):
        # A ramp passes a quarter of the bend's curvature before the joint, within half a transition.
        assert abs(mark.start - wanted.start) < 2.5
        assert abs(mark.end - wanted.end) < 2.5
        assert mark.radius == pytest.approx(wanted.radius, rel=0.02)
        assert mark.angle == pytest.approx(wanted.angle, rel=0.05)
    # A gentle stretch beside a sharp bend is no bend of its own.
    mixed = Runs((Straight(20.0), BendRun(1.0, 10.0), BendRun(0.4, 100.0)), 5.0)
    found = Through(tuple(map(tuple, mixed.position(np.linspace(0.0, mixed.length, 81))))).bends
    assert len(found) == 1
    assert found[0].end == pytest.approx(30.0, abs=2.5)
    assert Through(((0.0, 0.0), (10.0, 5.0), (20.0, 10.0))).bends == ()
    assert Through(((0.0, 0.0), (50.0, 0.2), (100.0, 0.0))).bends == ()


def test_free_path_does_not_depend_on_where_the_points_lie() -> None:
    turn = np.array([[math.cos(2.0), math.sin(2.0)], [-math.sin(2.0), math.cos(2.0)]])
    moved = Through(tuple(map(tuple, np.array(LEAF.points) @ turn + [5.0, -70.0])))
    s = np.linspace(0.0, LEAF.length, 57)
    assert moved.length == pytest.approx(LEAF.length, rel=1e-12)
    assert moved.position(s) == pytest.approx(LEAF.position(s), abs=1e-9)
    assert moved.curvature_s(s) == pytest.approx(LEAF.curvature_s(s), abs=1e-9)


def test_elliptic_leaf_has_the_curvature_of_an_ellipse() -> None:
    """Curvature a b / (a^2 sin^2 + b^2 cos^2)^(3/2) (any geometry handbook), away from the ends."""
    u = np.linspace(0.0, math.pi, 81)
    path = Through(tuple(map(tuple, np.stack([40.0 * np.sin(u), 15.0 - 15.0 * np.cos(u)], axis=-1))))
    place = path.position(np.linspace(0.1, 0.9, 41) * path.length)
    t = np.arctan2(place[:, 0] / 40.0, 1.0 - place[:, 1] / 15.0)
    wanted = 600.0 / ((40.0 * np.cos(t)) ** 2 + (15.0 * np.sin(t)) ** 2) ** 1.5
    assert path.curvature(np.linspace(0.1, 0.9, 41) * path.length) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Straight(0.0), r"length .*> 0 mm.* 0"),
        (lambda: Straight(math.inf), r"length .*> 0 mm.* inf"),
        (lambda: BendRun(0.0, 5.0), "angle"),
        (lambda: BendRun(1.0, -5.0), r"radius .*> 0 mm.* -5"),
        (lambda: Runs((), 1.0), "run"),
        (lambda: Runs((Straight(5.0), BendRun(1.0, 5.0)), 0.0), r"transition .*> 0 mm.* 0"),
        (
            lambda: Runs((Straight(20.0), BendRun(0.5, 8.0), Straight(20.0)), 5.0),
            r"run 2 .* 4 mm .* 5 mm .* at most 4 mm",
        ),
        (
            lambda: Runs((Straight(2.0), BendRun(1.0, 8.0)), 5.0),
            r"run 1 .* 2 mm .* 2\.5 mm .* at most 4 mm",
        ),
        (lambda: Through(((0.0, 0.0), (1.0, 0.0))), "three points"),
    ],
)
def test_impossible_paths(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()
