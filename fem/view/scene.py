"""The things one would hold, as meshes: the strip, the walls around it, and what is marked on them.

A `Stage` puts them before one or several cameras once; a state of the run then only moves points and changes
colours in place, which is what keeps a slider quick.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyvista as pv
from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

from fem.core.term import Array
from fem.results.result import Jam, Result
from fem.results.snapshot import Snapshot
from fem.view.canvas import BACK
from fem.view.colour import Scale, materials, rgb
from fem.view.colouring import COLOURINGS, colouring_named
from fem.view.intended import Zones, intended_shape, zones
from fem.view.measure import coil
from fem.view.palette import ALARM, AXLE, BODY, CUT, HAND, INK, INTENDED, SOFT
from fem.view.playback import CASINGS, Playback
from fem.view.solid import StripSolid, axle_mark, dashes, quads, wall_faces, wall_outline

if TYPE_CHECKING:
    from fem.design.strip import Strip

ROOM = 0.6
"""mm between the strip's edge and the ends of the walls, across the width."""
SWAYS = 16
"""Pictures of one sway in the softest mode."""
FLAT = {"lighting": False}
MATT = {"ambient": 0.5, "diffuse": 0.6, "specular": 0.05, "show_scalar_bar": False}


def surface_mesh(faces: Sequence[Array], normals: Sequence[Array] = ()) -> Any:
    """Grids of points as one surface; each face keeps its own points, so that edges stay sharp.

    With outward normals the quadrilaterals go round them: what is lit is the side they show.
    """
    corners = quads([(face.shape[0], face.shape[1]) for face in faces])
    if normals:
        points, ways = (np.concatenate([part.reshape(-1, 3) for part in given]) for given in (faces, normals))
        a, b, c, d = points[corners].transpose(1, 0, 2)
        wrong = np.sum(np.cross(c - a, d - b) * ways[corners[:, 0]], axis=1) < 0
        corners[wrong] = corners[wrong, ::-1]
    cells = np.hstack([np.full((len(corners), 1), 4), corners]).ravel()
    return pv.PolyData(
        np.concatenate([face.reshape(-1, 3) for face in faces]).astype(np.float32), faces=cells
    )


def line_mesh(curves: Sequence[Array]) -> Any:
    """Curves, each (k, 3), as one mesh."""
    ends = np.cumsum([len(curve) for curve in curves])
    cells = [
        np.array([len(curve), *range(end - len(curve), end)]) for curve, end in zip(curves, ends, strict=True)
    ]
    return pv.PolyData(np.concatenate(curves).astype(np.float32), lines=np.concatenate(cells))


def half_depth(shots: Sequence[Snapshot]) -> float:
    """How far walls are drawn to either side of the path's plane [mm]."""
    return max(float(np.abs(shot.lateral).max()) for shot in shots) + ROOM


def jam_place(solid: StripSolid, jam: Jam) -> Array:
    """The strip's edge nearest the onlooker at the jam, (3,): that much of a coil is never hidden."""
    ends = np.mean(solid.across_at(jam.station_mm), axis=0)[[0, -1]]
    return np.asarray(ends[np.argmax(ends @ BACK)])


def wall_parts(outline: tuple[Array, Array], half: float, manner: str) -> list[tuple[Any, dict[str, Any]]]:
    """A fixed wall as meshes with their looks. "see-through" keeps the slice nearest the onlooker solid."""
    smooth = {"color": BODY, "smooth_shading": True}
    ink = {"color": INK, "line_width": 3.0} | FLAT
    if manner == CASINGS[3]:
        return []
    if manner != CASINGS[0]:
        top = half if manner == CASINGS[2] else 0.0
        front, back, rim = wall_faces(outline, (-half, top))
        return [
            (surface_mesh([back, rim]), smooth), (surface_mesh([front]), {"color": CUT} | FLAT),
            (line_mesh([rim[:, 1]]), ink),
        ]  # fmt: skip
    front, back, rim = wall_faces(outline, (0.86 * half, half))
    clear = wall_faces(outline, (-half, 0.86 * half))[2]
    return [
        (surface_mesh([back, rim]), smooth),
        (surface_mesh([front]), {"color": CUT} | FLAT),
        (line_mesh([rim[:, 1]]), ink),
        (surface_mesh([clear]), smooth | {"opacity": 0.16}),
        (line_mesh([clear[:, 0]]), {"color": SOFT, "line_width": 2.0, "opacity": 0.5} | FLAT),
    ]


def reach_of(shot: Snapshot) -> float:
    """How far a plane is drawn to either side [mm]."""
    return 0.7 * float(np.ptp(shot.surface().reshape(-1, 3), axis=0).max())


def extent(shots: Sequence[Snapshot], intended: Array) -> tuple[Array, Array]:
    """Points (k, 3) to hold in a view of everything, and in one of the casing (empty without one)."""
    half = half_depth(shots)
    whole = [shot.surface().reshape(-1, 3) for shot in shots]
    whole.append(np.column_stack([intended, np.zeros(len(intended))]))
    near: list[Array] = []
    for shot in (shots[0], shots[-1]):
        for wall in shot.obstacles:
            if wall["kind"] == "plane":
                continue
            rim = np.concatenate(wall_outline(wall, reach_of(shot)))
            corners = np.concatenate([np.column_stack([rim, np.full(len(rim), z)]) for z in (-half, half)])
            whole.append(corners)
            if is_casing(wall):
                near.append(corners * [1.12, 1.12, 1.0])
    return np.concatenate(whole), np.concatenate(near) if near else np.empty((0, 3))


def is_casing(wall: Mapping[str, Any]) -> bool:
    """Whether a wall goes more than half-way round."""
    return bool(wall["kind"] == "arc" and wall["sweep"] > math.pi)


class Stage:
    """A run before the cameras of some renderers of a plotter.

    What never changes is made once; `show` brings everything to a state. result must have snapshots; strip:
    the one of its case, if it is at hand.
    """

    def __init__(
        self,
        plotter: Any,
        result: Result,
        strip: Strip | None,
        views: Sequence[int] = (0,),
        numbered: bool = False,
    ) -> None:
        self.plotter, self.result, self.views = plotter, result, tuple(views)
        self.aim = intended_shape(result, strip)
        self.zones: Zones = zones(result.snapshots[0], strip)
        self.half = half_depth(result.snapshots)
        self.scales: dict[str, Scale] = {
            colouring.name: colouring.scale(result.snapshots, self.aim) for colouring in COLOURINGS
        }
        self._solids: dict[int, StripSolid] = {}
        self._walls: list[Any] = []
        self._drawn_walls: tuple[Any, ...] = ()
        first = self.solid(0)
        self._strip = surface_mesh(first.faces, first.normals)
        self._strip.point_data["Normals"] = np.concatenate([n.reshape(-1, 3) for n in first.normals]).astype(
            "f4"
        )
        self._strip.point_data.active_normals_name = "Normals"
        self._strip.point_data["rgb"] = np.zeros((self._strip.n_points, 3), dtype=np.uint8)
        actors = self._add(self._strip, scalars="rgb", rgb=True)
        for actor in actors:
            actor.prop.interpolation = "Gouraud"
        self.strip_actor = actors[0]
        self.strip_actor.SetPickable(True)
        self._lines: list[tuple[Any, Any]] = []
        self._follow(lambda solid: solid.edges(), color=INK, line_width=2.0)
        self._follow(lambda solid: solid.ticks(), color=INK, line_width=3.0)
        if result.jam is not None and math.isfinite(result.jam.station_mm):
            station = result.jam.station_mm
            band = surface_mesh(first.band(station))
            self._add(band, color=ALARM, **FLAT)
            self._lines.append((band, lambda solid: solid.band(station)))
        self._numbers = self._labels() if numbered else []
        self._faint = self._intended()
        self._marks = {name: line_mesh([np.zeros((2, 3))]) for name in ("cut", "coil")}
        self._actors = {
            name: self._add(self._marks[name], color=colour, line_width=width, **FLAT)
            for name, colour, width in (("cut", ALARM, 4.0), ("coil", INK, 3.0))
        }
        self._point = pv.PolyData(np.zeros((1, 3), dtype=np.float32))
        self._actors["point"] = self._add(
            self._point, color=ALARM, point_size=15, render_points_as_spheres=True
        )

    # ---- making

    def _add(self, mesh: Any, **look: Any) -> list[Any]:
        """One actor before every camera."""
        made = []
        for view in self.views:
            self.plotter.subplot(0, view)
            made.append(
                self.plotter.add_mesh(mesh, reset_camera=False, render=False, pickable=False, **(MATT | look))
            )
        return made

    def _follow(self, shape: Any, **look: Any) -> None:
        mesh = line_mesh(shape(self.solid(0)))
        self._add(mesh, **FLAT, **look)
        self._lines.append((mesh, shape))

    def _intended(self) -> list[Any]:
        path = self.result.intended_path
        if len(path) < 2:
            return []
        made = self._add(
            line_mesh(dashes(np.column_stack([path, np.zeros(len(path))]))),
            color=INTENDED,
            line_width=3.0,
            **FLAT,
        )
        if self.aim.surface.size:
            faint = surface_mesh([self.aim.surface])
            rims = [self.aim.surface[:, k] for k in (0, -1)] + [self.aim.surface[k] for k in (0, -1)]
            made += self._add(faint, color=INTENDED, opacity=0.10, **FLAT)
            made += self._add(line_mesh(rims), color=INTENDED, line_width=1.0, opacity=0.5, **FLAT)
        return made

    def _labels(self) -> list[tuple[float, Any]]:
        """A number for every tick of the strip, with its station."""
        first, made = self.solid(0), []
        stations = np.arange(first.tick_step(), first.station[-1] + 0.01, first.tick_step())
        for station, view in itertools.product(stations, self.views):
            label = vtkBillboardTextActor3D()  # one for each view: it remembers the size of its window
            label.SetInput(f"{station:g}")
            label.SetDisplayOffset(4, -14)
            style = label.GetTextProperty()
            style.SetFontSize(13)
            style.SetColor(*(rgb(INK) / 255))
            self.plotter.renderers[view].AddViewProp(label)
            made.append((float(station), label))
        return made

    # ---- asking

    def solid(self, state: int) -> StripSolid:
        """The strip of a state; made when first asked for, then kept."""
        if state not in self._solids:
            self._solids[state] = self.zones.grid.solid(self.result.snapshots[state])
        return self._solids[state]

    def swayed(self, state: int, turn: float) -> StripSolid:
        """The strip of a state moved along its softest mode; turn [rad] of the sway, widest half a width."""
        shot = self.result.snapshots[state]
        reach = 0.25 * float(np.ptp(shot.across)) * math.sin(turn)
        return self.zones.grid.solid(shot, shot.surface() + reach * shot.mode)

    def solid_points(self) -> Array:
        """The points of the strip as drawn now, (P, 3) mm."""
        return np.asarray(self._strip.points)

    # ---- showing

    def show(self, playback: Playback, state: int | None = None, turn: float | None = None) -> None:
        """Bring everything to a state (None: the one shown) in the colours and manners asked for."""
        at = playback.state if state is None else state
        shot = self.result.snapshots[at]
        solid = self.solid(at) if turn is None else self.swayed(at, turn)
        _move(self._strip, solid.faces)
        _renew(self._strip.point_data["Normals"], np.concatenate([n.reshape(-1, 3) for n in solid.normals]))
        _renew(self._strip.point_data["rgb"], self.colours(shot, playback.colour))
        self._strip.Modified()
        for mesh, shape in self._lines:
            _move(mesh, shape(solid))
        for actor in self._faint:
            actor.visibility = playback.intended
        self._show_numbers(shot, solid)
        self._show_walls(shot, playback.casing)
        self._show_marks(solid, playback, shot)

    def colours(self, shot: Snapshot, name: str) -> Any:
        """(P, 3) bytes for every point of all faces."""
        colouring = colouring_named(name)
        if colouring is None:
            return materials(max(len(self.zones.materials), 1))[self.zones.owner]
        values = self.zones.grid.field(colouring.of(shot, self.aim))
        return self.scales[name].colours(values).reshape(-1, 3)[self.zones.grid.sources]

    def _show_numbers(self, shot: Snapshot, solid: StripSolid) -> None:
        """Numbers of the ticks that are out of the casing; in a coil they would lie on each other."""
        casing = next((wall for wall in shot.obstacles if is_casing(wall)), None)
        for station, label in self._numbers:
            edges = np.mean(solid.across_at(station), axis=0)[[0, -1]]
            place = edges[int(np.argmax(edges[:, 2]))]
            label.SetPosition(*place)
            free = (
                casing is None
                or math.hypot(place[0] - casing["x"], place[1] - casing["y"]) > 1.15 * casing["core"]
            )
            label.SetVisibility(free)

    def _show_walls(self, shot: Snapshot, manner: str) -> None:
        """Walls are made anew only when one of them has moved or another manner is asked for."""
        wanted = (shot.obstacles, manner)
        if wanted != self._drawn_walls:
            self._drawn_walls = wanted
            for actor in self._walls:
                for view in self.views:
                    self.plotter.renderers[view].remove_actor(actor, reset_camera=False, render=False)
            self._walls = []
            for wall in shot.obstacles:
                outline = wall_outline(wall, reach_of(self.result.snapshots[0]))
                parts = (
                    [(surface_mesh(wall_faces(outline, (-self.half, self.half))), {"color": AXLE})]
                    if wall.get("turning")
                    else wall_parts(outline, self.half, manner)
                )
                for mesh, look in parts:
                    self._walls += self._add(mesh, **look)
                if wall.get("turning"):
                    self._marks["axle"] = surface_mesh([axle_mark(wall, shot.axle_angle, 1.01 * self.half)])
                    self._walls += self._add(self._marks["axle"], color=HAND, **FLAT)
        axle = next((wall for wall in shot.obstacles if wall.get("turning")), None)
        if axle is not None:
            _move(self._marks["axle"], [axle_mark(axle, shot.axle_angle, 1.01 * self.half)])

    def _show_marks(self, solid: StripSolid, playback: Playback, shot: Snapshot) -> None:
        made = coil(shot, solid) if playback.measuring else None
        seen = {
            "cut": playback.probe is not None,
            "point": playback.probe is not None,
            "coil": made is not None,
        }
        for name, visible in seen.items():
            for actor in self._actors[name]:
                actor.visibility = visible
        if made is not None:
            lift = np.array([0.0, 0.0, self.half * 1.02])
            _move(self._marks["coil"], [np.stack(made.ends) * [1, 1, 0] + lift])
        if playback.probe is not None:
            station, across = playback.probe
            above, below = solid.lifted(station)
            loop = np.concatenate([above, below[::-1], above[:1]])
            self._marks["cut"].points = loop.astype(np.float32)
            self._marks["cut"].lines = np.array([len(loop), *range(len(loop))])
            share = (across - shot.across[0]) / np.ptp(shot.across)
            place = [np.interp(share, self.zones.grid.share, above[:, k]) for k in range(3)]
            _move(self._point, [np.array([place])])


def _move(mesh: Any, parts: Sequence[Array]) -> None:
    """Put the points of a mesh elsewhere, in place."""
    _renew(mesh.points, np.concatenate([part.reshape(-1, 3) for part in parts]))
    mesh.GetPoints().Modified()
    mesh.Modified()


def _renew(held: Any, values: Any) -> None:
    held[...] = values
    held.VTKObject.Modified()


def same_scales(stages: Sequence[Stage]) -> None:
    """Equal colours mean equal values in both runs: each scale reaches as far as the farther one."""
    for colouring in COLOURINGS:
        widest = max((stage.scales[colouring.name] for stage in stages), key=lambda scale: scale.high)
        for stage in stages:
            stage.scales[colouring.name] = widest
