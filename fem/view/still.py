"""The strip as it stands among its surroundings, drawn as the thing one would hold, in its true thickness.

Fixed walls are see-through but for the slice nearest the onlooker, so that clearances and coil both show.
The strip carries a tick every few millimetres, so that "41 mm from the root" can be found. Colour is strain
over the limit of the material, always on the same scale: the same colour is the same margin.

Pictures are drawn off screen and need a graphics driver but no display.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.results.readings import number, state_values
from fem.results.result import Result
from fem.results.snapshot import PHASE_WORDS, PHASES, Snapshot
from fem.view.camera import new_plotter
from fem.view.canvas import (
    ACROSS,
    BACK,
    RIGHT,
    UP,
    Canvas,
    Occupied,
    Sight,
    TextStyle,
    colour_scale,
    label,
    wrapped,
)
from fem.view.colour import Scale, materials
from fem.view.colouring import colouring_named
from fem.view.graphics import need_graphics
from fem.view.intended import IntendedShape, Zones, intended_shape, zones
from fem.view.palette import ALARM, AXLE, FAINT, HAND, INK, INTENDED, PAPER, SOFT
from fem.view.playback import CASINGS, chosen_state, events
from fem.view.scene import (
    MATT,
    half_depth,
    is_casing,
    jam_place,
    line_mesh,
    surface_mesh,
    wall_parts,
)  # fmt: skip
from fem.view.solid import StripSolid, axle_mark, dashes, wall_faces, wall_outline

if TYPE_CHECKING:
    from fem.design.strip import Strip

WIDE, ASIDE = 1600, 740
"""Pixels: width of a picture, and of the view of the whole where a close-up stands beside it."""

Part = tuple[Any, dict[str, Any]]
"""A mesh and the look the plotter gives it."""


@dataclass(frozen=True, eq=False)
class StillScene:
    """All there is to draw."""

    solid: StripSolid
    parts: tuple[Part, ...]
    whole: Array
    """(k, 3) points that the view of the whole has to hold."""
    near: Array
    """(k, 3) points that the close-up has to hold: casing and jam; empty without a casing."""
    names: tuple[tuple[str, Array], ...]
    """What to label, and where, (3,)."""
    colour: str
    scale: Scale | None
    """None for the layers."""
    zones: Zones
    aim: IntendedShape


def critical_picture(
    result: Result,
    file: Path | str,
    state: str | None = None,
    colour: str = "strain",
    strip: Strip | None = None,
) -> Path:
    """Draw the strip at its critical state as PNG, or at another: an event, or a travel in mm; return its
    path.

    First the whole, then a close-up of casing and jam; without a casing the whole alone. colour: one of
    `colouring.NAMES`. strip: the one of the case, for its layers. The file appears whole or not at all.

    Raises
    ------
    InputError for a state or colour there is not, MissingLibrary without graphics.

    """
    shot = result.snapshots[chosen_state(result, state)]
    colouring_named(colour)
    need_graphics()
    shown = scene(result, shot, colour, strip)
    lines, top = _heading(result, shot)
    sights = _sights(shown, top)
    foot = sights[-1].corner[1] + sights[-1].size[1]
    canvas = Canvas((WIDE, foot + FOOT))
    for place, words, size, ink in lines:
        canvas.text(place, words, size, ink, bold=size > 30)
    for sight, picture in zip(sights, _render(shown, sights), strict=True):
        canvas.paste(picture, sight.corner)
    if len(sights) > 1:
        corners = sights[0].pixels(shown.near)
        canvas.frame((*(corners.min(axis=0) - 6), *(corners.max(axis=0) + 6)), SOFT)
        x, y = sights[1].corner
        canvas.line([(x, y + 10), (x, foot - 10)] if x else [(_MARGIN, y), (WIDE - _MARGIN, y)], FAINT)
    for k in range(len(sights)):
        _annotate(canvas, result, shown, sights, k)
    _legend(canvas, result, shot, shown)
    return canvas.save(Path(file))


# ---------------------------------------------------------------- meshes


def scene(
    result: Result, snapshot: Snapshot, colour: str = "strain", strip: Strip | None = None
) -> StillScene:
    """Turn a snapshot into meshes."""
    aim, laid = intended_shape(result, strip), zones(snapshot, strip)
    solid = laid.grid.solid(snapshot)
    half = half_depth([snapshot])
    colouring, scale = colouring_named(colour), None
    if colouring is None:
        colours = materials(max(len(laid.materials), 1))[laid.owner]
    else:
        scale = colouring.scale(result.snapshots or (snapshot,), aim)
        values = laid.grid.field(colouring.of(snapshot, aim))
        colours = scale.colours(values).reshape(-1, 3)[laid.grid.sources]
    flat = {"lighting": False}
    parts: list[Part] = [
        (_painted(solid, colours), {"scalars": "rgb", "rgb": True}),
        (line_mesh(solid.edges()), {"color": INK, "line_width": 2.0} | flat),
        (line_mesh(solid.ticks()), {"color": INK, "line_width": 3.0} | flat),
    ]
    near: list[Array] = []
    if result.jam is not None:
        parts.append((surface_mesh(solid.band(result.jam.station_mm)), {"color": ALARM} | flat))
        near.append(jam_place(solid, result.jam) + half * np.array([RIGHT, -RIGHT, UP, -UP]))
    intended = np.column_stack([result.intended_path, np.zeros(len(result.intended_path))])
    if len(intended) > 1:
        parts.append((line_mesh(dashes(intended)), {"color": INTENDED, "line_width": 5.0} | flat))
    whole, names = [*(face.reshape(-1, 3) for face in solid.faces[:2]), intended], []
    cased = False
    for wall in snapshot.obstacles:
        outline = wall_outline(wall, 0.7 * float(np.ptp(whole[0], axis=0).max()))
        parts += _wall(wall, outline, half, snapshot.axle_angle)
        rim = np.concatenate(outline)
        corners = np.concatenate([np.column_stack([rim, np.full(len(rim), z)]) for z in (-half, half)])
        if wall["kind"] != "plane":
            whole.append(corners)
        if is_casing(wall):
            cased = True
            near.append(corners * [1.12, 1.12, 1.0])
        middle = (outline[0] + outline[1]) / 2
        place = middle[len(middle) // 3] if wall["kind"] == "arc" else middle.mean(axis=0)
        names.append((str(wall["name"]).split(",")[0], np.array([*place, half])))
    close = np.concatenate(near) if cased else np.empty((0, 3))
    return StillScene(
        solid,
        tuple(parts),
        np.concatenate(whole),
        close.reshape(-1, 3),
        tuple(names),
        colour,
        scale,
        laid,
        aim,
    )


def _painted(solid: StripSolid, colours: Any) -> Any:
    """The surface of the strip in the colours of its points, (P, 3) bytes."""
    mesh = surface_mesh(solid.faces, solid.normals)
    mesh.point_data["rgb"] = colours
    mesh.point_data.active_normals = np.concatenate([way.reshape(-1, 3) for way in solid.normals])
    return mesh


def _wall(wall: Mapping[str, Any], outline: tuple[Array, Array], half: float, angle: float) -> list[Part]:
    """A fixed wall, or the axle with a mark toward the clamped root, so that its turning shows."""
    if not wall.get("turning"):
        return wall_parts(outline, half, CASINGS[0])
    body = surface_mesh(wall_faces(outline, (-half, half)))
    mark = surface_mesh([axle_mark(wall, angle, 1.01 * half)])
    return [(body, {"color": AXLE, "smooth_shading": True}), (mark, {"color": HAND, "lighting": False})]


# ---------------------------------------------------------------- picture


def _sights(shown: StillScene, top: int) -> list[Sight]:
    """Views that their points fill: one, or two beside each other (above, if the whole is long and low)."""
    if not len(shown.near):
        return [Sight.on(shown.whole, (WIDE, _height(shown.whole, WIDE)), (0, top))]
    whole = np.concatenate([shown.whole, shown.near])
    across, up = np.ptp(whole @ ACROSS, axis=0)
    if up < 0.3 * across:
        above = int(max(200.0, 1.1 * WIDE * up / across))
        return [Sight.on(whole, (WIDE, above), (0, top)), Sight.on(shown.near, (WIDE, 600), (0, top + above))]
    height = max(_height(whole, ASIDE), _height(shown.near, WIDE - ASIDE))
    sizes = (ASIDE, height), (WIDE - ASIDE, height)
    return [Sight.on(whole, sizes[0], (0, top)), Sight.on(shown.near, sizes[1], (ASIDE, top))]


def _height(points: Array, width: int) -> int:
    """Height [pixels] at which points fill a view of this width both ways, within limits."""
    across, up = np.ptp(points @ ACROSS, axis=0)
    return int(np.clip(width * up / across, 420, 780))


def _render(shown: StillScene, sights: Sequence[Sight]) -> list[NDArray[np.uint8]]:
    """The scene from each sight, `Sheet.FINE` times as fine as the sight's pixels."""
    # one window for all sights, cut to size afterwards: every change of its size costs a rendering more;
    # the canvas is drawn finer and reduced, which smooths as well
    window = np.max([sight.size for sight in sights], axis=0) * Canvas.FINE
    plotter = new_plotter((int(window[0]), int(window[1])), [(0.0, 0.0, 1.0, 1.0)], hidden=True, smooth=1)
    try:
        for mesh, look in shown.parts:
            actor = plotter.add_mesh(mesh, reset_camera=False, render=False, **(MATT | look))
            if "scalars" in look:
                actor.prop.interpolation = "Gouraud"
        far = 10.0 * float(np.ptp(shown.whole, axis=0).max())
        pictures = []
        for sight in sights:
            camera = plotter.camera
            camera.focal_point, camera.up = tuple(sight.centre), tuple(UP)
            camera.position = tuple(sight.centre + far * BACK)
            camera.parallel_projection = True
            camera.parallel_scale = window[1] / Canvas.FINE * sight.scale / 2
            plotter.reset_camera_clipping_range()
            plotter.render()  # or the picture would be the one of the sight before
            picture = np.asarray(plotter.screenshot(return_img=True), dtype=np.uint8)
            width, height = (side * Canvas.FINE for side in sight.size)
            left, top = (window[0] - width) // 2, (window[1] - height) // 2
            pictures.append(picture[top : top + height, left : left + width].copy())
        return pictures
    finally:
        plotter.close()


# ---------------------------------------------------------------- words

FOOT = 108
JAM_STYLE = TextStyle(22, ALARM, True)
_MARGIN = 36.0


def _annotate(
    canvas: Canvas, result: Result, shown: StillScene, sights: Sequence[Sight], number: int
) -> None:
    """The jam, names of the walls and mm from the root; each name once, in the closest view that has it."""
    sight = sights[number]
    taken = canvas.occupied(sight.box)
    closest = number == len(sights) - 1
    if result.jam is not None:
        x, y = sight.pixels(jam_place(shown.solid, result.jam))[0]
        radius = 30.0 if closest else 15.0
        canvas.ring((x, y), radius + 2, PAPER, 7)
        canvas.ring((x, y), radius, ALARM, 4)
        taken.claim((x - radius, y - radius, x + radius, y + radius))
        if closest:
            words = wrapped(canvas, f"jam: {result.jam.mode}", 22, 430, True)
            words += f"\n{result.jam.place}"
            label(canvas, taken, (x, y), words, JAM_STYLE, radius)
    for name, place in dict(reversed(shown.names)).items():
        homes = [k for k, other in enumerate(sights) if other.holds(place)]
        if homes and homes[-1] == number:
            x, y = sight.pixels(place)[0]
            label(canvas, taken, (x, y), name)
    _number_ticks(canvas, taken, shown, sight)


def _number_ticks(canvas: Canvas, taken: Occupied, shown: StillScene, sight: Sight) -> None:
    step = shown.solid.tick_step()
    for station in np.arange(step, shown.solid.station[-1] + 0.01, step):
        ends = sight.pixels(np.stack([line[k] for line in shown.solid.across_at(station) for k in (0, -1)]))
        words = f"{station:g}"
        width, height = canvas.measure(words, 15)
        for end in ends[np.argsort(-ends[:, 1])]:  # below the strip by preference
            away = end - ends.mean(axis=0)
            x, y = end + 15 * away / max(float(np.hypot(*away)), 1e-9)
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if taken.covered(box) < 8:
                taken.claim(box)
                canvas.text((box[0], box[1]), words, 15)
                break


def _heading(result: Result, shot: Snapshot) -> tuple[list[tuple[tuple[float, float], str, float, str]], int]:
    """Lines above the picture, (place, words, size, colour), and the height they take."""
    paper, width = Canvas((10, 10)), WIDE - 2 * _MARGIN
    number = next((k for k, other in enumerate(result.snapshots) if other is shot), -1)
    said = [event.name for event in events(result) if event.state == number]
    state = "; ".join([PHASE_WORDS[PHASES[shot.phase]], *said])
    if shot.phase != PHASES.index("push"):
        state += ": " + ", ".join(f"{name} {value}" for name, value in state_values(result, shot)[:2])
    y, lines = 24.0, []
    for words, size, colour in (
        (f"{result.case_name}: {result.status}", 34.0, ALARM if result.jam else INK),
        (result.sentence, 21.0, INK),
        (state, 19.0, SOFT),
    ):
        broken = wrapped(paper, words, size, width)
        lines.append(((_MARGIN, y), broken, size, colour))
        y += paper.measure(broken, size)[1] + 8
    return lines, int(y)


def _legend(canvas: Canvas, result: Result, shot: Snapshot, shown: StillScene) -> None:
    """Colour scale with its unit, the greatest value and its place, and the other signs."""
    top = canvas.size[1] - FOOT
    canvas.line([(_MARGIN, top), (WIDE - _MARGIN, top)], FAINT)
    colouring, step = colouring_named(shown.colour), shown.solid.tick_step()
    if colouring is None or shown.scale is None:
        right = _layers(canvas, shown.zones, top)
        words = "layers are counted from the face away from the axle"
    else:
        right = colour_scale(canvas, (_MARGIN, top + 6), 420, shown.scale)
        values, words = colouring.of(shot, shown.aim), colouring.without
        if np.isfinite(values).any():
            extreme, pick = ("least", np.nanmin) if colouring.falling else ("greatest", np.nanmax)
            size = np.abs(values) if colouring.signed else values
            row = int(np.flatnonzero(size.ravel() == pick(size))[0]) // values.shape[1]
            value = values.ravel()[np.flatnonzero(size.ravel() == pick(size))[0]]
            words = (
                f"{extreme} now: {number(value, colouring.unit, 3)}, {shot.station[row]:.1f} mm from the root"
            )
    canvas.text((right + 50, top + 8), words, 19)
    canvas.text((right + 50, top + 38), f"numbers on the strip: every {step:g} mm from the root", 19)
    if len(result.intended_path) > 1:
        for k in range(4):
            canvas.line([(right + 50 + 20 * k, top + 80), (right + 62 + 20 * k, top + 80)], INTENDED, 2.5)
        canvas.text((right + 142, top + 68), "path that the mid-line should take when fully out", 19)


def _layers(canvas: Canvas, laid: Zones, top: float) -> float:
    """Names and thicknesses of the layers with their colours; returns where they end on the right."""
    if not laid.layers:
        words = "layers are not known: the case is gone, or has changed"
        return canvas.text((_MARGIN, top + 8), words, 19)[2]
    right, shades = 0.0, materials(len(laid.materials))
    for k, (name, thickness, _) in enumerate(laid.layers[:6]):
        x, y = _MARGIN + 330 * (k // 3), top + 8 + 32 * (k % 3)
        fill: Any = tuple(int(part) for part in shades[laid.materials.index(name)])
        canvas.area([(x, y), (x + 30, y), (x + 30, y + 22), (x, y + 22)], fill, SOFT)
        right = max(right, canvas.text((x + 40, y), f"{name}, {thickness:g} mm", 19)[2])
    return right
