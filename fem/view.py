"""The strip as it stands among its surroundings, drawn as the thing one would hold, in its true thickness.

Fixed walls are see-through but for the slice nearest the onlooker, so that clearances and coil both show.
The strip carries a tick every few millimetres, so that "41 mm from the root" can be found. Colour is strain
over the limit of the material, always on the same scale: the same colour is the same margin.

Pictures are drawn off screen and need a graphics driver but no display.
"""

from __future__ import annotations

import ctypes
import math
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyvista as pv
from numpy.typing import NDArray

from fem.equilibrium import Array
from fem.errors import MissingLibrary
from fem.result import Jam, Result
from fem.sheet import (
    ACROSS,
    ALARM,
    BACK,
    FAINT,
    INK,
    RIGHT,
    SOFT,
    UP,
    Hand,
    Occupied,
    Sheet,
    Sight,
    colour_scale,
    label,
    shade,
    wrapped,
)  # fmt: skip
from fem.snapshot import PHASES, Snapshot
from fem.solid import StripSolid, axle_mark, dashes, strip_solid, wall_faces, wall_outline

BODY, CUT, AXLE, INTENDED = "#c9c1b4", "#b3a897", "#59626a", "#8a4fa3"
ROOM = 0.6
"""mm between the strip's edge and the ends of the walls, across the width."""
WIDE, ASIDE = 1600, 740
"""Pixels: width of a picture, and of the view of the whole where a close-up stands beside it."""

Part = tuple[Any, dict[str, Any]]
"""A mesh and the look the plotter gives it."""


@dataclass(frozen=True, eq=False)
class Scene:
    """All there is to draw."""

    solid: StripSolid
    parts: tuple[Part, ...]
    whole: Array
    """(k, 3) points that the view of the whole has to hold."""
    near: Array
    """(k, 3) points that the close-up has to hold: casing and jam; empty without a casing."""
    names: tuple[tuple[str, Array], ...]
    """What to label, and where, (3,)."""


def critical_picture(result: Result, file: Path | str, snapshot: Snapshot | str | None = None) -> Path:
    """Draw the strip at its critical moment (or at a given snapshot or label) as PNG; return its path.

    First the whole, then a close-up of casing and jam; without a casing the whole alone. The file appears
    complete or not at all. Raises ValueError if there is no such snapshot, MissingLibrary without graphics.
    """
    shot = _chosen(result, snapshot)
    need_graphics()
    shown = scene(result, shot)
    lines, top = _heading(result, shot)
    sights = _sights(shown, top)
    foot = sights[-1].corner[1] + sights[-1].size[1]
    sheet = Sheet((WIDE, foot + FOOT))
    for place, words, size, colour in lines:
        sheet.text(place, words, size, colour, bold=size > 30)
    for sight, picture in zip(sights, _render(shown, sights), strict=True):
        sheet.paste(picture, sight.corner)
    if len(sights) > 1:
        corners = sights[0].pixels(shown.near)
        sheet.frame((*(corners.min(axis=0) - 6), *(corners.max(axis=0) + 6)), SOFT)
        x, y = sights[1].corner
        sheet.line([(x, y + 10), (x, foot - 10)] if x else [(_MARGIN, y), (WIDE - _MARGIN, y)], FAINT)
    for number in range(len(sights)):
        _annotate(sheet, result, shown, sights, number)
    _legend(sheet, result, shot, shown.solid)
    return sheet.save(Path(file))


def need_graphics() -> None:
    """Make VTK ready to draw off screen; raise MissingLibrary, saying what to install, if it cannot here.

    To be called before the first window is made: only then does VTK read its choice of window, and without a
    driver it does not fail, it crashes.
    """
    if not sys.platform.startswith("linux") or _display_answers():
        return
    # left to itself VTK tries X11 first, which is loud and slow without a display
    os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    try:
        egl = ctypes.CDLL("libEGL.so.1")
    except OSError as error:
        raise MissingLibrary(
            f"3-D pictures need EGL, which is not installed ({error}); {_INSTALL}"
        ) from error
    if not _starts(egl):
        raise MissingLibrary(f"3-D pictures need a graphics driver for EGL and none starts; {_INSTALL}")


def _display_answers() -> bool:
    if not os.environ.get("DISPLAY"):
        return False
    try:
        x11 = ctypes.CDLL("libX11.so.6")
    except OSError:
        return False
    x11.XOpenDisplay.restype = ctypes.c_void_p
    display = x11.XOpenDisplay(None)
    return bool(display) and x11.XCloseDisplay(ctypes.c_void_p(display)) == 0


def _starts(egl: Any) -> bool:
    """Whether any display of EGL can be initialised: the standard one or one of the devices."""
    os.environ.setdefault("EGL_LOG_LEVEL", "fatal")  # what fails here is said once, by us
    number, handle = ctypes.c_int(0), ctypes.c_void_p
    egl.eglGetDisplay.restype = egl.eglGetProcAddress.restype = handle
    displays = [egl.eglGetDisplay(None)]
    query, of_device = (
        egl.eglGetProcAddress(name) for name in (b"eglQueryDevicesEXT", b"eglGetPlatformDisplayEXT")
    )
    if query and of_device:
        devices = (handle * 16)()
        ctypes.CFUNCTYPE(ctypes.c_uint, ctypes.c_int, handle, handle)(query)(
            16, devices, ctypes.byref(number)
        )
        display = ctypes.CFUNCTYPE(handle, ctypes.c_uint, handle, handle)(of_device)
        displays += [display(_EGL_PLATFORM_DEVICE, device, None) for device in devices[: number.value]]
    return any(egl.eglInitialize(handle(display), None, None) for display in displays if display)


_EGL_PLATFORM_DEVICE = 0x313F
"""EGL_PLATFORM_DEVICE_EXT, Khronos extension EGL_EXT_platform_device."""
_INSTALL = (
    "on Debian or Ubuntu: apt install libegl1 libegl-mesa0 libgl1-mesa-dri (no display or graphics card "
    "needed). Everything but the 3-D pictures works without"
)


def _chosen(result: Result, snapshot: Snapshot | str | None) -> Snapshot:
    if isinstance(snapshot, Snapshot):
        return snapshot
    named = {word: shot for shot in result.snapshots for word in shot.label.split("; ")}
    if snapshot is not None and snapshot not in named:
        raise ValueError(
            f"{result.case_name}: no snapshot {snapshot!r}; there are: {', '.join(named) or 'none'}"
        )
    shot = result.critical() if snapshot is None else named[snapshot]
    if shot is None:
        raise ValueError(f"{result.case_name}: there is no snapshot to draw")
    return shot


# ---------------------------------------------------------------- meshes


def scene(result: Result, snapshot: Snapshot) -> Scene:
    """Turn a snapshot into meshes."""
    solid = strip_solid(snapshot)
    half = float(np.abs(snapshot.lateral).max()) + ROOM
    flat = {"lighting": False}
    parts: list[Part] = [
        (_surface(solid.faces, solid.shares), {"scalars": "rgb", "rgb": True, "smooth_shading": True}),
        (_lines(solid.edges()), {"color": INK, "line_width": 2.0} | flat),
        (_lines(solid.ticks()), {"color": INK, "line_width": 3.0} | flat),
    ]
    near: list[Array] = []
    if result.jam is not None:
        parts.append((_surface(solid.band(result.jam.station_mm)), {"color": ALARM} | flat))
        near.append(_jam_place(solid, result.jam) + half * np.array([RIGHT, -RIGHT, UP, -UP]))
    intended = np.column_stack([result.intended_path, np.zeros(len(result.intended_path))])
    if len(intended) > 1:
        parts.append((_lines(dashes(intended)), {"color": INTENDED, "line_width": 5.0} | flat))
    whole, names = [*(face.reshape(-1, 3) for face in solid.faces[:2]), intended], []
    reach = 0.7 * float(np.ptp(whole[0], axis=0).max())
    cased = False
    for wall in snapshot.obstacles:
        outline = wall_outline(wall, reach)
        parts += (
            _axle(wall, half, outline, snapshot.axle_angle) if wall.get("turning") else _wall(half, outline)
        )
        rim = np.concatenate(outline)
        corners = np.concatenate([np.column_stack([rim, np.full(len(rim), z)]) for z in (-half, half)])
        if wall["kind"] != "plane":
            whole.append(corners)
        if wall["kind"] == "arc" and wall["sweep"] > math.pi:
            cased = True
            near.append(corners * [1.12, 1.12, 1.0])
        middle = (outline[0] + outline[1]) / 2
        place = middle[len(middle) // 3] if wall["kind"] == "arc" else middle.mean(axis=0)
        names.append((str(wall["name"]).split(",")[0], np.array([*place, half])))
    close = np.concatenate(near) if cased else np.empty((0, 3))
    return Scene(solid, tuple(parts), np.concatenate(whole), close.reshape(-1, 3), tuple(names))


def _surface(faces: Sequence[Array], shares: Sequence[Array] | None = None) -> Any:
    """Grids of points as one surface; each face keeps its own points, so that edges stay sharp."""
    quads, offset = [], 0
    for face in faces:
        a, b = face.shape[:2]
        number = offset + np.arange(a * b).reshape(a, b)
        corners = (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
        quads.append(np.stack([np.full((a - 1, b - 1), 4), *corners], axis=-1).reshape(-1))
        offset += a * b
    mesh = pv.PolyData(np.concatenate([face.reshape(-1, 3) for face in faces]), faces=np.concatenate(quads))
    if shares is not None:
        mesh.point_data["rgb"] = shade(np.concatenate([share.reshape(-1) for share in shares]))
    return mesh


def _lines(curves: Sequence[Array]) -> Any:
    ends = np.cumsum([len(curve) for curve in curves])
    cells = [
        np.array([len(curve), *range(end - len(curve), end)]) for curve, end in zip(curves, ends, strict=True)
    ]
    return pv.PolyData(np.concatenate(curves), lines=np.concatenate(cells))


def _axle(wall: Mapping[str, Any], half: float, outline: tuple[Array, Array], angle: float) -> list[Part]:
    """The axle with a mark toward the clamped root, so that its turning shows."""
    return [
        (_surface(wall_faces(outline, (-half, half))), {"color": AXLE, "smooth_shading": True}),
        (_surface([axle_mark(wall, angle, 1.01 * half)]), {"color": "white", "lighting": False}),
    ]


def _wall(half: float, outline: tuple[Array, Array]) -> list[Part]:
    """A fixed wall: its slice nearest the onlooker as it is, the rest see-through."""
    front, back, rim = wall_faces(outline, (0.86 * half, half))
    rest = wall_faces(outline, (-half, 0.86 * half))[2]
    return [
        (_surface([back, rim]), {"color": BODY, "smooth_shading": True}),
        (_surface([front]), {"color": CUT, "lighting": False}),
        (_lines([rim[:, 1]]), {"color": INK, "line_width": 3.0, "lighting": False}),
        (_surface([rest]), {"color": BODY, "smooth_shading": True, "opacity": 0.16}),
        (_lines([rest[:, 0]]), {"color": SOFT, "line_width": 2.0, "opacity": 0.5, "lighting": False}),
    ]


def _jam_place(solid: StripSolid, jam: Jam) -> Array:
    """The strip's edge nearest the onlooker at the jam, (3,): that much of a coil is never hidden."""
    ends = np.mean(solid.across_at(jam.station_mm), axis=0)[[0, -1]]
    return np.asarray(ends[np.argmax(ends @ BACK)])


# ---------------------------------------------------------------- picture


def _sights(shown: Scene, top: int) -> list[Sight]:
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


def _render(shown: Scene, sights: Sequence[Sight]) -> list[NDArray[np.uint8]]:
    """The scene from each sight, `Sheet.FINE` times as fine as the sight's pixels."""
    theme = pv.themes.Theme()
    theme.multi_samples = 1  # the sheet is drawn finer and reduced, which smooths as well
    # one window for all sights, cut to size afterwards: every change of its size costs a rendering more
    window = np.max([sight.size for sight in sights], axis=0) * Sheet.FINE
    plotter: Any = pv.Plotter(off_screen=True, lighting="none", theme=theme, window_size=window.tolist())
    try:
        plotter.set_background("white")
        for place, strength in (((-0.5, 0.9, 1.0), 0.8), ((0.8, 0.1, 0.9), 0.3), ((0.2, -1.0, 0.4), 0.25)):
            plotter.add_light(pv.Light(position=place, intensity=strength, light_type="scene light"))
        for mesh, look in shown.parts:
            plotter.add_mesh(mesh, show_scalar_bar=False, ambient=0.5, diffuse=0.6, specular=0.05, **look)
        far = 10.0 * float(np.ptp(shown.whole, axis=0).max())
        pictures = []
        for sight in sights:
            camera = plotter.camera
            camera.focal_point, camera.up = tuple(sight.centre), tuple(UP)
            camera.position = tuple(sight.centre + far * BACK)
            camera.parallel_projection = True
            camera.parallel_scale = window[1] / Sheet.FINE * sight.scale / 2
            plotter.reset_camera_clipping_range()
            plotter.render()  # or the picture would be the one of the sight before
            picture = np.asarray(plotter.screenshot(return_img=True), dtype=np.uint8)
            width, height = (side * Sheet.FINE for side in sight.size)
            left, top = (window[0] - width) // 2, (window[1] - height) // 2
            pictures.append(picture[top : top + height, left : left + width].copy())
        return pictures
    finally:
        plotter.close()


# ---------------------------------------------------------------- words

FOOT = 108
JAM_HAND = Hand(22, ALARM, True)
_MARGIN = 36.0


def _annotate(sheet: Sheet, result: Result, shown: Scene, sights: Sequence[Sight], number: int) -> None:
    """The jam, names of the walls and mm from the root; each name once, in the closest view that has it."""
    sight = sights[number]
    taken = sheet.occupied(sight.box)
    closest = number == len(sights) - 1
    if result.jam is not None:
        x, y = sight.pixels(_jam_place(shown.solid, result.jam))[0]
        radius = 30.0 if closest else 15.0
        sheet.ring((x, y), radius + 2, "#ffffff", 7)
        sheet.ring((x, y), radius, ALARM, 4)
        taken.claim((x - radius, y - radius, x + radius, y + radius))
        if closest:
            words = wrapped(sheet, f"jam: {result.jam.mode}", 22, 430, True)
            words += f"\n{result.jam.station_mm:.3g} mm from the root"
            label(sheet, taken, (x, y), words, JAM_HAND, radius)
    for name, place in dict(reversed(shown.names)).items():
        homes = [k for k, other in enumerate(sights) if other.holds(place)]
        if homes and homes[-1] == number:
            x, y = sight.pixels(place)[0]
            label(sheet, taken, (x, y), name)
    _number_ticks(sheet, taken, shown, sight)


def _number_ticks(sheet: Sheet, taken: Occupied, shown: Scene, sight: Sight) -> None:
    step = shown.solid.tick_step()
    for station in np.arange(step, shown.solid.station[-1] + 0.01, step):
        ends = sight.pixels(np.stack([line[k] for line in shown.solid.across_at(station) for k in (0, -1)]))
        words = f"{station:g}"
        width, height = sheet.measure(words, 15)
        for end in ends[np.argsort(-ends[:, 1])]:  # below the strip by preference
            away = end - ends.mean(axis=0)
            x, y = end + 15 * away / max(float(np.hypot(*away)), 1e-9)
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if taken.covered(box) < 8:
                taken.claim(box)
                sheet.text((box[0], box[1]), words, 15)
                break


def _heading(result: Result, shot: Snapshot) -> tuple[list[tuple[tuple[float, float], str, float, str]], int]:
    """Lines above the picture, (place, words, size, colour), and the height they take."""
    paper, width = Sheet((10, 10)), WIDE - 2 * _MARGIN
    moment = f"{shot.label} ({PHASES[shot.phase]})"
    if shot.phase in (1, 2):
        moment += f": {shot.travel:.1f} mm pulled in, axle wound {shot.axle_angle / math.tau:.2f} turns"
    y, lines = 24.0, []
    for words, size, colour in (
        (f"{result.case_name}: {result.status}", 34.0, ALARM if result.jam else INK),
        (result.sentence, 21.0, INK),
        (moment, 19.0, SOFT),
    ):
        broken = wrapped(paper, words, size, width)
        lines.append(((_MARGIN, y), broken, size, colour))
        y += paper.measure(broken, size)[1] + 8
    return lines, int(y)


def _legend(sheet: Sheet, result: Result, shot: Snapshot, solid: StripSolid) -> None:
    """Colour scale with its unit, the greatest value and its place, and the other signs."""
    top = sheet.size[1] - FOOT
    sheet.line([(_MARGIN, top), (WIDE - _MARGIN, top)], FAINT)
    right = colour_scale(sheet, (_MARGIN, top + 6), 420, "strain, share of the material's limit [%]")
    share, step = shot.strain_share, solid.tick_step()
    words = "no limit is known for the material"
    if np.isfinite(share).any():
        row = int(np.nanargmax(share)) // share.shape[1]
        words = f"greatest now: {100 * np.nanmax(share):.0f} %, {shot.station[row]:.1f} mm from the root"
    sheet.text((right + 50, top + 8), words, 19)
    sheet.text((right + 50, top + 38), f"numbers on the strip: every {step:g} mm from the root", 19)
    if len(result.intended_path) > 1:
        for k in range(4):
            sheet.line([(right + 50 + 20 * k, top + 80), (right + 62 + 20 * k, top + 80)], INTENDED, 2.5)
        sheet.text((right + 142, top + 68), "path that the mid-line should take when fully out", 19)
