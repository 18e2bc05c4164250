"""The window on a finished run: the strip in 3-D, its numbers, its curve with a slider, every function by
key.

What is shown is decided by a `Playback`; here it is put on the screen. Two runs stand side by side with one
camera; the second shows the state most like the first's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyvista as pv
from vtkmodules.vtkRenderingCore import vtkActor2D, vtkCellPicker, vtkImageMapper, vtkRenderer

from fem.results.result import Result
from fem.view.camera import LOOKS, aim, new_plotter
from fem.view.colouring import colouring_named
from fem.view.intended import intended_section
from fem.view.measure import coil, flat_section, nearest_point, values_at
from fem.view.playback import Playback, state_like
from fem.view.scene import SWAYS, Stage, extent, same_scales
from fem.view.side_panel import (
    FOOT,
    LEAST,
    CurvePanel,
    Layout,
    PanelContent,
    Picture,
    heading,
    key_card,
    side_column,
)

if TYPE_CHECKING:
    from fem.design.strip import Strip

SIZE = (1280, 800)
BEAT = 80
"""Milliseconds from picture to picture of a playing film."""
STILL = 4
"""Beats without a change after which the picture is drawn once more with smooth edges."""
SMOOTH, QUICK = 4, 0
"""Samples per pixel at rest and in motion."""
CLICK = 4
"""Pixels a mouse may move between pressing and letting go and still have clicked."""


class Window:
    """A window on one run, or two. Needs a display unless `hidden`; raises nothing once it is open."""

    def __init__(
        self, results: Sequence[Result], strips: Sequence[Strip | None], size: tuple[int, int] = SIZE,
        hidden: bool = False,
    ) -> None:  # fmt: skip
        self.results = tuple(results)
        self.playback = Playback(self.results[0])
        self.layout = Layout(*size)
        shares = [(k / len(results), 0.0, (k + 1) / len(results), 1.0) for k in range(len(results))]
        self.plotter = new_plotter(size, shares, hidden, QUICK)
        self.stages = [
            Stage(self.plotter, result, strip, (k,), numbered=True)
            for k, (result, strip) in enumerate(zip(results, strips, strict=True))
        ]
        same_scales(self.stages)
        for renderer in self.plotter.renderers[1 : len(results)]:
            renderer.camera = self.plotter.renderers[0].camera
        self.extents = [extent(result.snapshots, result.intended_path) for result in results]
        self._overlay = vtkRenderer()
        self._overlay.SetLayer(1)
        self._overlay.InteractiveOff()
        window = self.plotter.render_window
        window.SetNumberOfLayers(max(2, window.GetNumberOfLayers()))
        window.AddRenderer(self._overlay)
        self._images = {name: _Image(self._overlay) for name in ("head", "side", "foot", "keys")}
        self._turn, self._dragging, self._pressed, self._quiet = 0.0, False, (-99, -99), 0
        self._shown: tuple[Any, ...] = ()
        self._last = (-1, -1)
        self.lay_out(size)

    # ---- layout

    def lay_out(self, size: tuple[int, int]) -> None:
        """Fill a window of this size (not below the least)."""
        self.layout = Layout(max(size[0], LEAST[0]), max(size[1], LEAST[1]))
        width, height = self.layout.width, self.layout.height
        left, top, right, bottom = self.layout.scene
        for k in range(len(self.stages)):
            x0, x1 = (left + (right - left) * (k + end) / len(self.stages) for end in (0, 1))
            share = (x0 / width, 1 - bottom / height, x1 / width, 1 - top / height)
            self.plotter.renderers[k].viewport = share
        self.foot = CurvePanel(self.playback, self.results[1:], int(self.layout.foot[2]))
        self._images["head"].put(heading(self.results, width, right - left), (0, height))
        self._card = key_card()
        self._last = size
        self._shown = ()
        self.fit()
        self.refresh()

    def fit(self) -> None:
        """Turn the camera to the side asked for, onto everything or onto the casing."""
        whole = np.concatenate([pair[0] for pair in self.extents])
        near = np.concatenate([pair[1] for pair in self.extents])
        left, top, right, bottom = self.layout.scene
        aspect = (right - left) / len(self.stages) / (bottom - top)
        points = near if self.playback.near and len(near) else whole
        aim(self.plotter.renderers[0], points, aspect, *LOOKS[self.playback.side])

    # ---- showing

    @property
    def states(self) -> list[int]:
        """The state shown of each run."""
        others = [state_like(result, self.playback.shot) for result in self.results[1:]]
        return [self.playback.state, *others]

    def refresh(self) -> None:
        """Bring the screen to what is to be shown, if that has changed."""
        playback = self.playback
        now = (*(v for k, v in vars(playback).items() if k not in ("result", "events", "wants")), self._turn)
        if now == self._shown:
            return
        self._shown, self._quiet = now, 0
        turn = self._turn if playback.swaying else None
        for stage, state in zip(self.stages, self.states, strict=True):
            stage.show(playback, state, turn if stage is self.stages[0] else None)
        height = self.layout.height
        self._images["side"].put(
            self.side_picture(), (int(self.layout.side[0]), height - int(self.layout.side[1]))
        )
        self._images["foot"].put(self.foot.picture(playback, self.states), (0, FOOT))
        self._images["keys"].visible(playback.help)
        if playback.help:
            self._images["keys"].put(self._card, (24, height - int(self.layout.scene[1]) - 16))
        self.render(QUICK)

    def render(self, samples: int) -> None:
        """Draw the window."""
        self.plotter.render_window.SetMultiSamples(samples)
        for renderer in self.plotter.renderers[: len(self.stages)]:
            renderer.ResetCameraClippingRange()
        self.plotter.render()

    def side_picture(self) -> Picture:
        """The column of numbers now."""
        playback, stage = self.playback, self.stages[0]
        solid = stage.solid(playback.state)
        colouring = colouring_named(playback.colour)
        known = colouring is None or bool(np.isfinite(colouring.of(playback.shot, stage.aim)).any())
        seen = PanelContent(stage.scales.get(playback.colour), stage.zones, known)
        if playback.probe is not None:
            station = playback.probe[0]
            seen = replace(
                seen,
                section=flat_section(solid, station),
                intended=intended_section(stage.aim, playback.shot, station),
                values=values_at(playback.shot, stage.aim, playback.probe),
            )
        if playback.measuring:
            seen = replace(seen, coil=coil(playback.shot, solid))
        others = list(zip(self.results[1:], self.states[1:], strict=True))
        return side_column(playback, seen, self.layout.height - int(self.layout.side[1]), others)

    def picture(self) -> Picture:
        """The window as it is, (rows, columns, 3)."""
        self.render(SMOOTH)
        return np.asarray(self.plotter.screenshot(return_img=True), dtype=np.uint8)

    # ---- hands

    def key(self, name: str, at: tuple[int, int] = (-1, -1)) -> None:
        """A key was pressed with the pointer at these pixels (from the lower left)."""
        self.playback.press(name)
        wants, self.playback.wants = self.playback.wants, set()
        if "fit" in wants:
            self.fit()
            self._shown = ()
        if "probe" in wants:
            self.ask(at)
        self.refresh()
        if "save" in wants:
            self.keep()
        if self.playback.quitting and self.plotter.iren is not None:
            self.plotter.iren.interactor.TerminateApp()

    def keep(self) -> None:
        """Write the window as a picture beside where the command was started."""
        file = Path(f"{self.playback.result.case_name}-state-{self.playback.state + 1}.png")
        try:
            self.plotter.screenshot(file, return_img=False)
            self.playback.message = f"kept as {file}"
        except OSError as problem:
            self.playback.message = f"{file} cannot be written ({problem.strerror or problem})"
        self.refresh()

    def ask(self, at: tuple[int, int]) -> None:
        """Ask about the point of the first run's strip at these pixels."""
        picker = vtkCellPicker()
        picker.SetTolerance(0.002)
        picker.PickFromListOn()
        picker.AddPickList(self.stages[0].strip_actor)
        if self._inside(at, self.layout.scene) and picker.Pick(*at, 0, self.plotter.renderers[0]):
            stage = self.stages[0]
            ends = self.playback.shot.across[[0, -1]]
            across = ends[0] + stage.zones.grid.share * (ends[1] - ends[0])
            place = np.array(picker.GetPickPosition())
            self.playback.probe = nearest_point(stage.solid(self.playback.state), across, place)
        else:
            self.playback.message = "no strip of the first run under the pointer"
        self.refresh()

    def down(self, at: tuple[int, int]) -> bool:
        """The left button went down; whether that was for curve or slider and not for the camera."""
        self._pressed = at
        if self._inside(at, self.layout.foot):
            self.playback.playing = False
            if self.foot.on_slider(FOOT - at[1]):
                self._dragging = True
                self.playback.slide(self.foot.share(at[0]))
            else:
                found = self.foot.trace.nearest(at[0], FOOT - at[1])
                if found is not None:
                    self.playback.go(found)
            self.refresh()
        return not self._inside(at, self.layout.scene)

    def move(self, at: tuple[int, int]) -> bool:
        """The pointer moved; whether it was pulling the slider."""
        if self._dragging:
            self.playback.slide(self.foot.share(at[0]))
            self.refresh()
        return self._dragging

    def up(self, at: tuple[int, int]) -> bool:
        """The left button was let go; whether that ended a pull of the slider."""
        held, self._dragging = self._dragging, False
        still = math.dist(at, self._pressed) <= CLICK
        if not held and still and self._inside(at, self.layout.scene):
            self.ask(at)
        return held

    def beat(self) -> None:
        """One beat of the clock: play, sway, follow the window's size, smooth a picture that has come to
        rest.
        """
        size = tuple(self.plotter.render_window.GetSize())
        if size != self._last:
            self.lay_out((size[0], size[1]))
        self.playback.tick()
        if self.playback.swaying:
            self._turn = (self._turn + math.tau / SWAYS) % math.tau
        self.refresh()
        self._quiet += 1
        if self._quiet == STILL:
            self.render(SMOOTH)

    def _inside(self, at: tuple[int, int], box: tuple[float, float, float, float]) -> bool:
        x, y = at[0], self.layout.height - at[1]
        return box[0] <= x < box[2] and box[1] <= y < box[3]

    # ---- the event loop

    def open(self) -> None:
        """Show the window until it is closed."""
        names = " and ".join(result.case_name for result in self.results)
        self.plotter.enable_trackball_style()
        self.plotter.show(title=f"pushpast: {names}", interactive_update=True, auto_close=False)
        interactor = self.plotter.iren.interactor
        self._listen(interactor)
        interactor.CreateRepeatingTimer(BEAT)
        interactor.Start()
        self.plotter.close()

    def _listen(self, interactor: Any) -> None:
        """Hear before the camera does, and keep from it what is not for it."""

        def hear(event: str, does: Any) -> None:
            def heard(*_: Any) -> None:
                taken = does(tuple(interactor.GetEventPosition()))
                interactor.GetCommand(tag).SetAbortFlag(1 if taken else 0)

            tag = interactor.AddObserver(event, heard, 10.0)

        def key(at: tuple[int, int]) -> bool:
            self.key(interactor.GetKeySym(), at)
            return True  # or the library's own keys would act too

        def beat(_: tuple[int, int]) -> bool:
            self.beat()
            return False

        hear("KeyPressEvent", key)
        hear("CharEvent", lambda at: True)
        hear("LeftButtonPressEvent", self.down)
        hear("MouseMoveEvent", self.move)
        hear("LeftButtonReleaseEvent", self.up)
        for wheel in ("MouseWheelForwardEvent", "MouseWheelBackwardEvent"):
            hear(wheel, lambda at: not self._inside(at, self.layout.scene))
        hear("TimerEvent", beat)


class _Image:
    """A picture laid over the window."""

    def __init__(self, renderer: Any) -> None:
        self._mapper, self._actor = vtkImageMapper(), vtkActor2D()
        self._mapper.SetColorWindow(255)
        self._mapper.SetColorLevel(127.5)
        self._actor.SetMapper(self._mapper)
        renderer.AddViewProp(self._actor)

    def put(self, picture: Picture, corner: tuple[int, int]) -> None:
        """Show a picture (rows, columns, 3) with its upper left at these pixels from the lower left."""
        rows, columns = picture.shape[:2]
        image = pv.ImageData(dimensions=(columns, rows, 1))
        image.point_data["rgb"] = np.ascontiguousarray(picture[::-1]).reshape(-1, 3)
        image.set_active_scalars("rgb")
        self._mapper.SetInputData(image)
        self._actor.SetPosition(corner[0], corner[1] - rows)

    def visible(self, seen: bool) -> None:
        """Show it or not."""
        self._actor.SetVisibility(seen)
