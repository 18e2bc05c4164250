"""The starter is a sound case that names every choice, and so are its options."""

from __future__ import annotations

import re

from sound_case import Write

from fem.case.definition import read_case
from fem.case.template import starter
from fem.design.loading import PUSHES
from fem.design.material import LIBRARY
from fem.design.obstacle import OBSTACLES
from fem.design.section import SECTIONS


def test_the_starter_is_sound_and_names_every_choice(write: Write) -> None:
    text = starter("my-boom")
    assert read_case(write(text)).title == "My boom"
    for name in [kind.kind for kind in (*SECTIONS, *PUSHES)] + [kind.__name__.lower() for kind in OBSTACLES]:
        assert f'"{name}"' in text
    for material in LIBRARY:
        assert material.name in text


def test_the_options_of_the_starter_are_sound_too(write: Write) -> None:
    """Every commented key is switched on; keys that exclude the written ones are left out."""
    lines = []
    for line in starter("my-boom").splitlines():
        option = re.match(r"# (\[+[a-z.-]+\]+|[a-z_]+ = [^ ])", line)
        lines.append(line[2:] if option and not line.startswith(("# through", "# extends")) else line)
    case = read_case(write("\n".join(lines)))
    assert case.obstacles
    assert case.strip.stations
    assert case.strip.layers[0].elsewhere is not None
