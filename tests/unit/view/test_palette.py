"""One source of colours: every other module, style sheet, template and script takes its own from there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from matplotlib.colors import CSS4_COLORS, TABLEAU_COLORS

from fem.view.palette import LINES, TONES

ROOT = Path(__file__).resolve().parents[3]
WEB = ROOT / "fem" / "report" / "web"
HOME = ROOT / "fem" / "view" / "palette.py"
HEXADECIMAL = re.compile(r"(?<![&\w])#(?:[0-9a-fA-F]{3,4}|[0-9a-fA-F]{6}|[0-9a-fA-F]{8})\b(?![-\w])")
NAMES = {name for name in (*CSS4_COLORS, *TABLEAU_COLORS) if name != "tan"}  # tan is a function here
BYTES = re.compile(r"(?:colour|tone)\w*\s*[:=]\s*\[\s*\d|\[\s*255\b|vec[34]\(\s*\d")
"""Colours as numbers in a script: [red, green, blue], and in a shader."""
FUNCTIONS = re.compile(r"\b(?:rgba?|hsla?)\(")
STYLE_WORDS = {"bold", "dim", "italic", "on", "not", "underline", "bright"}


def colours_in(text: str) -> list[str]:
    """What in a text of a module is a colour: "#rrggbb", a name, a style of the terminal with a name."""
    words = text.split()
    named = [word for word in words if word in NAMES]
    styled = named if words and all(word in NAMES | STYLE_WORDS for word in words) else []
    return HEXADECIMAL.findall(text) + styled


def strings_of(file: Path) -> Iterator[tuple[int, str]]:
    tree = ast.parse(file.read_text())
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield node.lineno, node.value


def test_the_search_finds_colours() -> None:
    assert colours_in("#22313a") == ["#22313a"] and colours_in("bold red") == ["red"]
    assert colours_in("white") == ["white"] and colours_in("a red line") == [] == colours_in("&#8222;")
    assert BYTES.search("colour: [255, 255, 255, 255]") and BYTES.search("vec3(1.0, 0.7, 0.1)")
    assert (
        not BYTES.search("vec3(colour)") and not HEXADECIMAL.search("#names{") and HEXADECIMAL.search("#fff")
    )
    assert sum(len(colours_in(text)) for _, text in strings_of(HOME)) > 2 * len(TONES)


def test_no_other_module_has_a_colour_of_its_own() -> None:
    found = [
        f"{file.relative_to(ROOT)}:{line}: {text}"
        for file in sorted((ROOT / "fem").rglob("*.py")) if file != HOME
        for line, text in strings_of(file) if colours_in(text)
    ]  # fmt: skip
    assert found == []


def test_no_style_sheet_template_or_script_has_a_colour_of_its_own() -> None:
    values = re.compile(rf"[:(,\s](?:{'|'.join(sorted(NAMES))})(?=[;,)}}\s!])")
    found = []
    for file in sorted(WEB.iterdir()):
        text = file.read_text()
        here = HEXADECIMAL.findall(text) + FUNCTIONS.findall(text)
        if file.suffix == ".css":
            here += [name.strip() for name in values.findall(text)]
        if file.suffix == ".js":
            here += BYTES.findall(text)
        found += [f"{file.name}: {colour}" for colour in here]
    assert found == []


def test_what_a_page_asks_for_is_there() -> None:
    asked = set()
    for file in WEB.iterdir():
        asked |= set(re.findall(r"var\(--([a-z]+)\)", file.read_text()))
        asked |= set(re.findall(r"tones\(\)\.([a-z]+)", file.read_text()))
        asked |= set(re.findall(r"\$([a-z]+)", file.read_text())) if file.suffix == ".css" else set()
    assert asked and asked <= set(TONES)


def test_every_look_has_its_tone() -> None:
    assert {look.tone for look in LINES.values()} <= set(TONES)
    assert all(
        re.fullmatch(r"#[0-9a-f]{6}", part) for tone in TONES.values() for part in (tone.light, tone.dark)
    )
