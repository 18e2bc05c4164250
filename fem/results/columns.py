"""The columns of a path: what each is called, its unit, what it is, and which of them make a run's curve.

A column's name ends in its unit (`torque_Nmm`, `axle_angle_rad`, `curvature_peak_per_mm`); a name without one
is a pure number. Whoever shows a column, or looks for what a push prescribes and what that takes, asks here:
a push names its two columns itself (`control_column`, `load_column` in `fem.design.loading`), and what is not
listed below is described by its name.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fem.design.loading import PUSHES, Winding

UNITS = {
    "_N_per_mm2": "N/mm\N{SUPERSCRIPT TWO}", "_N_per_mm": "N/mm", "_per_mm": "1/mm", "_rad_per_s": "rad/s",
    "_Nmm2": "N mm\N{SUPERSCRIPT TWO}", "_Nmm": "N mm", "_rad": "rad", "_mm": "mm", "_deg": "deg", "_g": "g",
    "_s": "s", "_N": "N",
}  # fmt: skip
"""How a name of a number ends -> its unit; a longer ending stands before one that it ends in."""


def unit_of(name: str) -> str:
    """`coil_outer_radius_mm` -> `mm`; "" for a pure number."""
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def words_of(name: str) -> str:
    """`coil_outer_radius_mm` -> `coil outer radius`: the unit stands beside the value."""
    ending = next((ending for ending in UNITS if name.endswith(ending)), "")
    return name.removesuffix(ending).replace("_", " ")


@dataclass(frozen=True)
class PathColumn:
    """One column of a path.

    about: what it is. label: how a list of values calls it, axis: how an axis does; left out: by its name.
    bookkeeping: it says how the path was computed, not what the strip does.
    """

    name: str
    about: str
    label: str = ""
    axis: str = ""
    bookkeeping: bool = False

    @property
    def unit(self) -> str:
        """Its unit; "" for a pure number."""
        return unit_of(self.name)

    @property
    def words(self) -> str:
        """What a list of values calls it."""
        return self.label or words_of(self.name)

    @property
    def title(self) -> str:
        """What is written on its axis, with the unit."""
        unit = f" [{self.unit}]" if self.unit else ""
        return (self.axis or self.words) + unit


LISTED = (
    PathColumn("step", "steps made up to this row; 0 is the start", bookkeeping=True),
    PathColumn("time_s", "time of the push; for a push without inertia only an order", "time",
               "time of the push", bookkeeping=True),
    PathColumn("phase", "0 assemble, 1 retract, 2 deploy, 3 other push"),
    PathColumn("axle_angle_rad", "wind angle of the axle, >= 0, 0 = fully out", "wind angle",
               "wind angle of the axle"),
    PathColumn("travel_mm", "strip wound in through the slot since fully out", "travel",
               "travel: strip wound in through the slot"),
    PathColumn("torque_Nmm", "torque at the axle; > 0 resists the turning, of either direction", "torque",
               "torque at the axle"),
    PathColumn("motor_torque_Nmm",
               "torque the motor has at the axle at that speed; empty without a motor", "the motor has"),
    PathColumn("push_N", "axial force in the strip at the slot, > 0 compressed", "push at the slot"),
    PathColumn("turn_rad", "turn of the driven end on the bench", axis="turn of the end"),
    PathColumn("moment_Nmm", "moment at the driven end on the bench"),
    PathColumn("shortening_mm", "how far the ends of a column have come together"),
    PathColumn("pressed_mm", "how far the pressed station has moved along the force", "deflection",
               "deflection of the pressed station"),
    PathColumn("force_N", "force of a bench push"),
    PathColumn("tip_x_mm", "place of the tip's mid-line"),
    PathColumn("tip_y_mm", "place of the tip's mid-line"),
    PathColumn("casing_contact_rad", "angle over which the coil touches the casing"),
    PathColumn("wrap_contact_mm", "length over which wraps touch each other"),
    PathColumn("curvature_peak_per_mm", "largest |curvature| of the mid-line", "largest curvature"),
    PathColumn("curvature_peak_station_mm", "where that is, from the root", bookkeeping=True),
    PathColumn("strain_peak", "largest |strain| in any layer"),
    PathColumn("strain_share", "largest |strain| as a share of its material's limit"),
    PathColumn("strain_station_mm", "where that is, from the root"),
    PathColumn("energy_strain_Nmm", "elastic energy stored in the strip"),
    PathColumn("energy_load_Nmm", "potential energy of weight and other dead loads since the start"),
    PathColumn("energy_contact_Nmm", "energy stored in contact springs"),
    PathColumn("energy_kinetic_Nmm", "kinetic energy", bookkeeping=True),
    PathColumn("work_in_Nmm", "work done on the strip since the start"),
    PathColumn("loss_friction_Nmm", "work lost to friction since the start"),
    PathColumn("loss_damping_Nmm", "work lost to damping since the start", bookkeeping=True),
    PathColumn("loss_numerical_Nmm", "work lost to the time stepping since the start", bookkeeping=True),
    PathColumn("released_Nmm", "energy that snaps released since the start, a part of the last two",
               bookkeeping=True),
    PathColumn("drag_Nmm", "work against damping and inertia outside snaps since the start",
               bookkeeping=True),
    PathColumn("audit_closure_Nmm", "what of the energy balance does not close", bookkeeping=True),
    PathColumn("audit_error", "the same over the scale of the work done", bookkeeping=True),
    PathColumn("stable", "1 if the accepted state is stable, else 0", bookkeeping=True),
    PathColumn("iterations", "iterations the step took", bookkeeping=True),
    PathColumn("smallest_gap_mm", "least clearance between strip and walls; < 0 sinks in"),
    PathColumn("smallest_wrap_gap_mm", "least clearance between wraps; < 0 sinks in"),
    PathColumn("slot_station_mm", "place on the strip, from the root, that stands in the slot"),
)  # fmt: skip
"""Columns with words of their own."""


def of_pushes(listed: Iterable[PathColumn]) -> Iterator[PathColumn]:
    """Columns beside the listed ones that only pushes name: what they prescribe, what that takes."""
    told = {column.name for column in listed}
    for push in PUSHES:
        for name, does in ((push.control_column, "prescribes"), (push.load_column, "takes")):
            if name not in told:
                told.add(name)
                yield PathColumn(name, f'what the push "{push.kind}" {does}')


COLUMNS = (*LISTED, *of_pushes(LISTED))
"""Every column that a run of today can have. A path may carry others."""

_LISTED = {column.name: column for column in COLUMNS}
TRAVEL, TORQUE, PUSH = _LISTED["travel_mm"], _LISTED["torque_Nmm"], _LISTED["push_N"]
MOTOR, CURVATURE, TIME = _LISTED["motor_torque_Nmm"], _LISTED["curvature_peak_per_mm"], _LISTED["time_s"]
AXLE_ANGLE = _LISTED["axle_angle_rad"]


def column(name: str) -> PathColumn:
    """The column of a name; one that is not listed is described by its name."""
    return _LISTED.get(name) or PathColumn(name, words_of(name))


def control_and_load(kind: str) -> tuple[PathColumn, PathColumn]:
    """What a push of this kind prescribes, and what that takes. Raises KeyError for a kind there is not."""
    push = {one.kind: one for one in PUSHES}[kind]
    return column(push.control_column), column(push.load_column)


def find_control(path: Container[str]) -> tuple[PathColumn, PathColumn] | None:
    """The columns of a path for what was prescribed and what that took; None for a path of no known push."""
    for push in PUSHES:
        if push.control_column in path and push.load_column in path:
            return column(push.control_column), column(push.load_column)
    return None


def by_axle(control: PathColumn) -> bool:
    """Whether a control column is that of a push by the axle, which moves the strip through the slot."""
    return control.name == Winding.control_column


def to_tell(path: Mapping[str, Any]) -> tuple[PathColumn, ...]:
    """Columns of a path that say what one state takes: load, control of a bench push, motor, push."""
    found = find_control(path)
    control, load = found if found is not None else (TIME, TORQUE)
    wanted = [load, *([control] if found is not None and not by_axle(control) else []), MOTOR, PUSH]
    return tuple(one for one in wanted if one.name in path)
