"""Path, section, layers and stations as they are written, each wrong one told at its own key."""

from __future__ import annotations

import pytest
from sound_case import Write, changed, has_fault

from fem.design.layup import MOST_LAYERS

LAST = "{ straight = 22.0 }"
WRONG: list[tuple[str, str, str, int | None, tuple[str, ...]]] = [
    ('material = "pla"', 'material = "pal"', "strip.layers[2].material", 14, ('"pal"', '"pla"', "tpu-85a")),
    ("across = [-2.0, 2.0]", "across = [2.0, -2.0]", "strip.layers[2].across", None, ("[2, -2]",)),
    ("across = [-2.0, 2.0]", "across = [2.0]", "strip.layers[2].across[2]", None, ("two", "mm", "[2]")),
    ("across = [-2.0, 2.0]", "across = 2.0", "strip.layers[2].across", None, ("two", "mm", "2")),
    ("across = [-2.0, 2.0]", "", "strip.layers[2].elsewhere", None, ("across", "along")),
    ("bend = 40.0, ", "bend = 0, ", "strip.path.runs[2].bend", 5, ("0.01 degrees", "0")),
    ("bend = 40.0, radius = 25.0", "bend = 40.0", "strip.path.runs[2].radius", 5, ("radius", "mm")),
    (LAST, "{ strait = 22.0 }", "strip.path.runs[5]", 6, ("straight", "bend", "radius", "strait")),
    (LAST, "7", "strip.path.runs[5]", 6, ("7",)),
    (f"{LAST}]", f"{LAST}]\ntransition = 30.0", "strip.path", None, ("run 2", "17.45 mm")),
    (f"{LAST}]", f"{LAST}]\nthrough = []", "strip.path", None, ("runs", "through")),
    ("radius = 9.0\n[[", "radius = 9.0\ndepth = 2.0\n[[", "strip.section", None, ("radius", "depth")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "key", "line", "facts"), WRONG, ids=[f"{key}: {facts}" for *_, key, _, facts in WRONG]
)
def test_one_wrong_value_is_one_clear_fault(
    write: Write, old: str, new: str, key: str, line: int | None, facts: tuple[str, ...]
) -> None:
    has_fault(write(changed(old, new)), key, facts, line)


def test_more_layers_than_states_can_tell_are_refused(write: Write) -> None:
    """A run of them would be solved before its first state could not be kept."""
    layer = '[[strip.layers]]\nmaterial = "pla"\nthickness = 0.001\n'
    file = write(changed("[axle]", layer * MOST_LAYERS + "[axle]"))
    has_fault(file, "strip.layers", (f"{MOST_LAYERS + 2} layers", f"at most {MOST_LAYERS}"), 10)
