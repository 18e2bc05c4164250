"""What a run asks of a strip, whichever model carries it.

`fem.rod.model.RodModel` and `fem.shell.model.ShellModel` have these members; nothing else in this package
needs to know which of the two it drives. A third model would be a third class with these members.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from fem.case.definition import Case
from fem.contact.settings import ContactSettings
from fem.contact.state import ContactRecord, ContactState
from fem.core.term import Array, Evaluation, Index, Term
from fem.design.obstacle import Wall
from fem.results.result import Quantity
from fem.simulation.steps import Grip
from fem.solvers.implicit_dynamics import Motion


class StripSummary(Protocol):
    """What is written down of a state in every step; n stations, m places across.

    station (n,) [mm]; position (n, 2) [mm] and curvature (n,) [1/mm] of the mid-line; axial_force (n,) [N], >
    0 tension; strain (n, m): largest principal size through the thickness; strain_share (n, m): largest share
    of a material's elastic limit.
    """

    @property
    def station(self) -> Array: ...
    @property
    def position(self) -> Array: ...
    @property
    def curvature(self) -> Array: ...
    @property
    def axial_force(self) -> Array: ...
    @property
    def strain(self) -> Array: ...
    @property
    def strain_share(self) -> Array: ...


class StripState(StripSummary, Protocol):
    """A state as pictures need it: heading (n,) [rad]; across (m,) [mm], developed; height, lateral (n, m)
    [mm] along the normal and along z; layer_strain (layers, n, m), nan where a layer is not; thickness [mm].
    """

    @property
    def heading(self) -> Array: ...
    @property
    def across(self) -> Array: ...
    @property
    def height(self) -> Array: ...
    @property
    def lateral(self) -> Array: ...
    @property
    def layer_strain(self) -> Array: ...
    @property
    def thickness(self) -> float: ...


class ContactPlaces(Protocol):
    """Where a strip can touch: stations (n,) [mm], split: how many of them one can stand for, length of strip
    (n,) [mm] that each stands for (0: it does not count), area (n, k) [mm^2] of the whole strip that each of
    its points stands for.
    """

    @property
    def stations(self) -> Array: ...
    @property
    def split(self) -> int: ...
    @property
    def lengths(self) -> Array: ...
    @property
    def area(self) -> Array: ...


class Contact(Protocol):
    """Contact with friction. held (n, k, ...): what is held of each point while a step is solved, its normal
    force [N] first.
    """

    @property
    def points(self) -> ContactPlaces: ...
    @property
    def settings(self) -> ContactSettings: ...
    @property
    def held(self) -> Array: ...

    def harden(self, factor: float) -> None:
        """Press with so many times the penalty from here on."""
        ...

    def start(self, u: Array) -> None:
        """Forget all friction; slip is counted from here."""
        ...

    def record(self) -> ContactRecord:
        """What reading the contact of the last accepted state needs beside it: pairs, friction."""
        ...

    def fits(self, record: ContactRecord) -> bool:
        """Whether a record is one that `record` of this term can have made."""
        ...

    def state(self, u: Array, record: ContactRecord) -> ContactState:
        """Contact at an accepted state u, of which `record` was made; changes nothing here."""
        ...


class Walls(Contact, Protocol):
    """Contact with what surrounds the strip; forces and gaps (n, k, walls)."""

    @property
    def walls(self) -> tuple[Wall, ...]: ...

    def move_walls(self, walls: tuple[Wall, ...]) -> None: ...
    def forces(self, u: Array) -> Array: ...
    def gaps(self, u: Array) -> Array: ...
    def least_gap(self, u: Array) -> float: ...
    def mid_line(self, u: Array) -> Array: ...


class Wraps(Contact, Protocol):
    """Contact of the strip with itself; forces and gaps (n, k) at the held pairs, 0 and inf where there is
    none.
    """

    def forces(self, u: Array) -> Array: ...
    def gaps(self, u: Array) -> Array: ...


class AxleClamp(Grip, Protocol):
    """The root held flat on the axle; the control is the axle's angle [rad]."""

    def indices(self) -> Sequence[int] | Index:
        """Unknowns that it prescribes."""
        ...

    def pressed(self, share: float) -> AxleClamp:
        """The same clamp with the root's section pressed flat by a share of the way only."""
        ...


class Drive(Protocol):
    """A spring that drives one coordinate of the strip by its control."""

    control: float

    def evaluate(self, u: Array, order: int) -> Evaluation: ...

    def load(self, u: Array) -> float:
        """What it pulls with, on the strip."""
        ...

    def moved(self, u: Array) -> float:
        """How far the strip has gone along the coordinate."""
        ...


class StripModel(Protocol):
    """A strip in its surroundings, as a run sees it.

    kind: name of the model; length [mm] of the strip; rise [mm]: largest height of its rest section;
    flat_stiffness [N mm^2]: bending stiffness pressed flat; start (size,): at rest below the axle;
    root_radius [mm]: of the root's mid-line about the axle's centre; walls, wraps: None where nothing may
    touch; snap_test: whether the strip snaps on the way from one state to another, None where no step is
    taken again for that; warnings: what a reader of the results must know of the model; provenance: what is
    kept of it with them.
    """

    @property
    def kind(self) -> str: ...
    @property
    def case(self) -> Case: ...
    @property
    def length(self) -> float: ...
    @property
    def rise(self) -> float: ...
    @property
    def flat_stiffness(self) -> float: ...
    @property
    def start(self) -> Array: ...
    @property
    def root_radius(self) -> float: ...
    @property
    def motion(self) -> Motion: ...
    @property
    def walls(self) -> Walls | None: ...
    @property
    def wraps(self) -> Wraps | None: ...
    @property
    def snap_test(self) -> Callable[[Array, Array], bool] | None: ...
    @property
    def warnings(self) -> tuple[str, ...]: ...
    @property
    def provenance(self) -> Mapping[str, str]: ...

    def laid_flat(self) -> tuple[Term, Array]:
        """Strain energy of the same strip with a straight path and a flat section, and its rest state (size,)
        below the axle; it takes the place of the first of the motion's terms.
        """
        ...

    def clamp(self) -> AxleClamp:
        """The root held flat on the axle."""
        ...

    def places(self, u: Array, stations: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line in a state at stations (n,) [mm]."""
        ...

    def summary(self, u: Array) -> StripSummary:
        """What is written down of a state in every step."""
        ...

    def state(self, u: Array) -> StripState:
        """A state as pictures need it."""
        ...

    def softest_mode(self, u: Array, record: tuple[ContactRecord, ContactRecord]) -> Array:
        """Softest mode (n, m, 3) on the grid of an accepted state, largest displacement 1, with walls and
        wraps touching as was recorded of them; (0, 0, 3): none is known.
        """
        ...

    def inspect(self, u: Array, accepted: int, control: float) -> None:
        """Look at an accepted state, its number and control; raises what ends a run that this model cannot go
        on with.
        """
        ...

    def quantities(
        self,
        rows: Sequence[Mapping[str, float]],
        states: Sequence[Array],
        records: Sequence[tuple[ContactRecord, ContactRecord]],
    ) -> Mapping[str, Quantity]:
        """Numbers that only this model has, of a run's rows and states and what was recorded of the contact
        with walls and of wraps in these.
        """
        ...

    def weight(self, gravity: Array) -> Term:
        """The strip's weight for an acceleration (2,) [mm/s^2] in (x, y)."""
        ...

    def point_load(self, station: float, force: Array) -> Term:
        """A dead force (3,) [N] at a station [mm] of the mid-line."""
        ...

    def push_drive(self, station: float, direction: tuple[float, float], stiffness: float, u: Array) -> Drive:
        """A spring [N/mm], slack in a state, that drives a station [mm] along a direction, a unit vector."""
        ...

    def tip_unknowns(self, clamped: bool) -> tuple[Index, Index]:
        """Unknowns (n,) that a grip holds at the far end, the whole section or the place of its middle, and
        the x and y unknowns (k, 2) of the places among them.
        """
        ...


def contacts(model: StripModel) -> list[Contact]:
    """Contact with walls and of the strip with itself, as far as a model has them."""
    return [term for term in (model.walls, model.wraps) if term is not None]
