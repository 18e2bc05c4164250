"""What differs between two versions of a case, key by key.

A case is known twice: as *written* (the merged tables of its files) and as *understood* (every checked value
with defaults filled in; what the digests are made of). When the digest has changed but nothing that counts
was written differently, the program has changed its mind about a file that stayed the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fem.case.keys import for_people
from fem.case.schema import shown

USED = '"materials used".'
"""How the values of materials in use are named among what is understood."""
WORDING = frozenset({"source", "spread", "caveat"})
NO_MATTER = frozenset({"title", "teaches", "compare", "extends", "vary", "goal"})
"""Keys that say nothing about what is simulated."""
MISSING = object()


@dataclass(frozen=True)
class KeyChange:
    """One key as people read it, with its value before and now, as text; "none" where it was not there."""

    key: str
    old: str
    new: str

    def __str__(self) -> str:
        return f"{self.key}: {self.old} -> {self.new}"


def rewritten(old: Mapping[str, Any], new: Mapping[str, Any], apart: frozenset[str] = frozenset()) -> bool:
    """Whether two merged tables differ in anything that counts; apart: tables not looked at."""
    return _telling(old, apart) != _telling(new, apart)


def _telling(tables: Mapping[str, Any], apart: frozenset[str]) -> dict[str, Any]:
    kept = {name: value for name, value in tables.items() if name not in NO_MATTER | apart}
    materials = kept.get("materials")
    if isinstance(materials, Mapping):
        kept["materials"] = {name: _plain_material(item) for name, item in materials.items()}
    return kept


def _plain_material(item: Any) -> dict[str, Any]:
    return {key: value for key, value in item.items() if key not in WORDING}


def key_changes(
    old: Mapping[str, Any], new: Mapping[str, Any], wrote: Mapping[str, Any], writes: Mapping[str, Any]
) -> tuple[KeyChange, ...]:
    """Keys that differ between two cases as understood (old, new), told in the words of the files.

    wrote, writes: the merged tables of both, from which a material's own keys are told.
    """
    changes: list[KeyChange] = []
    for name in _names(old, new):
        if name.startswith(USED):
            if name in old and name in new and old[name] != new[name]:
                changes += _material(name.removeprefix(USED), old[name], new[name], wrote, writes)
        else:
            changes += _table(name, old.get(name, MISSING), new.get(name, MISSING))
    return tuple(changes)


def _names(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    return [*new, *(name for name in old if name not in new)]


def _table(name: str, old: Any, new: Any) -> Iterator[KeyChange]:
    if old == new:
        return
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in _names(old, new):
            yield from _table(f"{name}.{key}", old.get(key, MISSING), new.get(key, MISSING))
    else:
        yield KeyChange(for_people(name), text(old), text(new))


def _material(
    name: str, old: Any, new: Any, wrote: Mapping[str, Any], writes: Mapping[str, Any]
) -> Iterator[KeyChange]:
    before = wrote.get("materials", {}).get(name)
    now = writes.get("materials", {}).get(name)
    if before and now and (before := _plain_material(before)) != (now := _plain_material(now)):
        yield from _table(f"materials.{name}", before, now)
    else:
        yield from _table(f"materials.{name}", old, new)


def text(value: Any) -> str:
    """A value as a file would have it; a table by the keys that say something."""
    if value is MISSING or value is None:
        return "none"
    if isinstance(value, Mapping):
        said = [f"{key} = {shown(item)}" for key, item in value.items() if item is not None]
        return ", ".join(said) or "none"
    return shown(value)
