"""A run as numbers for a page: the moving mid-surface and what can be shown on it, in two bytes a number.

Places are whole numbers over the box that holds all states; a value is a whole number over the range of its
quantity, 65535 where there is none. The page rebuilds the strip in its true thickness from the mid-surface.

Layout of the bytes, little-endian, everything in the order of the states: places int16 (states, n, m, 3),
then for every quantity uint16 (states, n, m), or (states, n) if it has one value per station.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.case.definition import Case
from fem.core.term import Array
from fem.results.columns import to_tell
from fem.results.readings import state_values, state_words
from fem.results.result import Result
from fem.results.snapshot import Snapshot
from fem.view.solid import tick_step, wall_outline

NONE = 65535
PLACES = 32767.0
MOST_NUMBERS = 2_300_000
"""Two-byte numbers a page may hold (6 MB as text); a larger run gives every second station, and so on."""
FAR_GAP = 2.0
"""mm: clearance drawn as "far"."""
FLAT = 0.02
"""Rest height of a section as a share of its width, below which it cannot be said to flatten."""


@dataclass(frozen=True, eq=False)
class PageQuantity:
    """A quantity on the strip: values (states, n, m) or (states, n); colours run from low to high.

    dark_low: the dark end of the scale is at its low end, because little is what matters. high is also where
    the colour for "over" begins if `over`.
    """

    name: str
    caption: str
    unit: str
    values: Array
    low: float
    high: float
    over: bool = False
    dark_low: bool = False
    coloured: bool = True
    note: str = ""


@dataclass(frozen=True, eq=False)
class PackedRun:
    """What the page's script needs: plain values for JSON, and the bytes of the arrays."""

    about: dict[str, Any]
    data: bytes

    @property
    def text(self) -> str:
        """The bytes as base64."""
        return base64.b64encode(self.data).decode("ascii")


def pack(result: Result, case: Case | None) -> PackedRun:
    """All states of a run. Raises ValueError without snapshots, or if their grids differ."""
    shots = result.snapshots
    if not shots:
        raise ValueError(f"{result.case_name}: no state of the strip was kept; there is nothing to show")
    if len({(shot.station.size, shot.across.size) for shot in shots}) > 1:
        raise ValueError(f"{result.case_name}: the states were kept on different grids")
    shown = quantities(shots, case)
    stride = _stride(shots, shown)
    keep = _kept(shots[0].station.size, stride)
    surface = np.stack([shot.surface()[keep] for shot in shots])
    low, high = surface.min(axis=(0, 1, 2)), surface.max(axis=(0, 1, 2))
    size = np.maximum(high - low, 1e-9)
    places = np.rint((surface - low) / size * 2 * PLACES - PLACES).astype("<i2")
    chunks, entries = [places.tobytes()], []
    for one in shown:
        codes, ends = _coded(one.values[:, keep])
        chunks.append(codes.tobytes())
        entries.append(
            {
                "name": one.name, "caption": one.caption, "unit": one.unit, "low": one.low, "high": one.high,
                "over": one.over, "darkLow": one.dark_low, "coloured": one.coloured, "note": one.note,
                "perPoint": one.values.ndim == 3, "from": ends[0], "to": ends[1],
            }
        )  # fmt: skip
    first = shots[0]
    width = np.broadcast_to(first.thickness, first.height.shape)[keep]
    about = {
        "stations": first.station[keep].round(4).tolist(), "across": first.across.round(4).tolist(),
        "low": low.tolist(), "size": size.tolist(), "quantities": entries,
        "thickness": float(width.flat[0]) if np.ptp(width) < 1e-9 else width.round(4).tolist(),
        "states": [_state(result, shot) for shot in shots],
        "walls": _walls(result), "intended": result.intended_path.round(3).tolist(),
        "jam": None if result.jam is None
        else {"station": result.jam.station_mm, "place": result.jam.place, "mode": result.jam.mode},
        "start": _start(result), "tick": tick_step(float(first.station[-1])),
    }  # fmt: skip
    return PackedRun(about, b"".join(chunks))


def unpack_places(packed: PackedRun) -> Array:
    """Mid-surfaces (states, n, m, 3) [mm] as the page will draw them."""
    about = packed.about
    shape = (len(about["states"]), len(about["stations"]), len(about["across"]), 3)
    codes = np.frombuffer(packed.data, "<i2", count=math.prod(shape)).reshape(shape)
    return np.asarray((codes + PLACES) / (2 * PLACES) * np.array(about["size"]) + np.array(about["low"]))


def unpack_quantity(packed: PackedRun, name: str) -> Array:
    """Values of one quantity as the page will tell them."""
    about = packed.about
    states, n, m = (len(about[key]) for key in ("states", "stations", "across"))
    offset = 2 * states * n * m * 3
    for one in about["quantities"]:
        shape = (states, n, m) if one["perPoint"] else (states, n)
        codes = np.frombuffer(packed.data, "<u2", count=math.prod(shape), offset=offset).reshape(shape)
        if one["name"] == name:
            values = one["from"] + codes / (NONE - 1) * (one["to"] - one["from"])
            return np.where(codes == NONE, np.nan, values)
        offset += 2 * math.prod(shape)
    raise KeyError(name)


def quantities(shots: Sequence[Snapshot], case: Case | None) -> list[PageQuantity]:
    """What can be shown on the strip; a quantity nobody recorded is left out."""

    def every(value: Callable[[Snapshot], Array]) -> Array:
        return np.stack([np.asarray(value(shot), dtype=float) for shot in shots])

    share = every(lambda shot: 100.0 * shot.strain_share)
    contact, gap = every(lambda shot: shot.contact), every(lambda shot: shot.gap)
    found = [
        PageQuantity("strain", "strain of the worst layer", "% of the material's limit", share, 0.0, 100.0,
                     over=True),
        PageQuantity("contact", "contact pressure", "N/mm\N{SUPERSCRIPT TWO}", contact, 0.0, _top(contact),
                     over=True, note="both faces together"),
        PageQuantity("flattening", "flattening of the section", "% of its rest height",
                     _flattening(shots, case), 0.0, 100.0, over=True,
                     note="100: pressed flat; grey: flat at rest"),
        *_bending(shots, case),
        PageQuantity("gap", "clearance to the nearest wall or wrap", "mm", gap, 0.0, FAR_GAP, dark_low=True,
                     note="below 0: the faces sink into each other by the contact's elasticity; "
                     "grey: nothing near"),
        PageQuantity("force", "force along the strip", "N", every(lambda shot: shot.axial_force), 0.0, 1.0,
                     coloured=False, note="below 0: pushed"),
    ]  # fmt: skip
    return [one for one in found if np.isfinite(one.values).any()]


def _top(values: Array) -> float:
    """Upper end of a scale: what 99 of 100 of the values above zero stay below, rounded up to two digits."""
    positive = values[values > 0]
    if not positive.size:
        return 1.0
    top = float(np.percentile(positive, 99.0))
    decade: float = 10.0 ** (math.floor(math.log10(top)) - 1)
    return math.ceil(top / decade) * decade


def _flattening(shots: Sequence[Snapshot], case: Case | None) -> Array:
    """How much of the rest height of the section is gone, (states, n) [%]; nan where it is flat at rest."""
    first = shots[0]
    if case is None:
        rest = np.ptp(first.height, axis=1)  # fully out: the best there is
    else:
        edge = case.strip.developed_edge(first.station)[0][:, None]
        height, _ = case.strip.section_place(first.station[:, None], edge * np.linspace(-1, 1, 17))
        rest = np.ptp(height, axis=1)
    width = float(np.ptp(first.across))
    now = np.stack([np.ptp(shot.height, axis=1) for shot in shots])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(rest > FLAT * width, 100.0 * (1.0 - now / rest), np.nan)


def _bending(shots: Sequence[Snapshot], case: Case | None) -> list[PageQuantity]:
    """Change of curvature against rest, its size in colours and its sign for the probe."""
    first = shots[0]
    rest = first.curvature if case is None else case.strip.path.curvature(first.station)
    change = np.stack([shot.curvature - rest for shot in shots])
    top = _top(np.abs(change))
    return [
        PageQuantity("bending", "change of curvature, size", "1/mm", np.abs(change), 0.0, top, over=True),
        PageQuantity("curving", "change of curvature", "1/mm", change, 0.0, 1.0, coloured=False,
              note="above 0: toward the axle"),
    ]  # fmt: skip


def _coded(values: Array) -> tuple[NDArray[np.uint16], tuple[float, float]]:
    good = values[np.isfinite(values)]
    low, high = (float(good.min()), float(good.max())) if good.size else (0.0, 1.0)
    high = high if high > low else low + 1.0
    share = np.where(np.isfinite(values), (values - low) / (high - low), 0.0)
    codes = np.rint(share * (NONE - 1)).astype("<u2")
    return np.where(np.isfinite(values), codes, np.uint16(NONE)).astype("<u2"), (low, high)


def _stride(shots: Sequence[Snapshot], shown: Sequence[PageQuantity]) -> int:
    n, m = shots[0].station.size, shots[0].across.size
    numbers = len(shots) * n * (3 * m + sum(m if one.values.ndim == 3 else 1 for one in shown))
    return max(1, math.ceil(numbers / MOST_NUMBERS))


def _kept(n: int, stride: int) -> NDArray[np.int64]:
    keep = np.arange(0, n, stride)
    return np.asarray(np.append(keep, n - 1) if keep[-1] != n - 1 else keep, dtype=np.int64)


def _state(result: Result, shot: Snapshot) -> dict[str, Any]:
    row = result.row_of(shot)
    slot = float(result.column("slot_station_mm")[row]) if row >= 0 else math.nan
    values = dict(state_values(result, shot))
    load = next((values[column.words] for column in to_tell(result.path) if column.words in values), "")
    return {
        "words": ", ".join(part for part in (state_words(shot), load) if part), "values": values,
        "angle": round(shot.axle_angle, 5), "slot": round(slot, 4) if math.isfinite(slot) else None,
    }  # fmt: skip


def _walls(result: Result) -> list[dict[str, Any]]:
    """Outlines of what stands around, as it is at the critical state; each a closed strip of two sides."""
    shot = result.critical()
    assert shot is not None
    reach = 0.7 * float(np.ptp(shot.surface().reshape(-1, 3), axis=0).max())
    made = []
    for wall in shot.obstacles:
        left, right = wall_outline(wall, reach)
        made.append(
            {
                "name": str(wall["name"]), "turning": bool(wall.get("turning")),
                "around": wall["kind"] == "arc" and wall["sweep"] > math.pi, "plane": wall["kind"] == "plane",
                "left": left.round(3).tolist(), "right": right.round(3).tolist(),
                "x": wall["x"], "y": wall["y"], "radius": wall["radius"],
            }
        )  # fmt: skip
    return made


def _start(result: Result) -> int:
    """Number of the state to show first."""
    critical = result.critical()
    return next(k for k, shot in enumerate(result.snapshots) if shot is critical)
