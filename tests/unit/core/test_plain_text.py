"""Nothing in a text of others moves a cursor, hides, turns other words, or is taken for markup."""

from __future__ import annotations

import re
import unicodedata

import pytest

from fem.core.plain_text import code_in_markdown, in_markdown, visible


def test_plain_words_stay_as_they_are() -> None:
    for text in ("Boom, 12 mm", "größer → Ω 水 \N{ZERO WIDTH JOINER}", "a\\b", ""):
        assert visible(text) == text


def test_every_control_character_and_mark_of_direction_is_shown_by_its_code() -> None:
    """Categories and bidirectional classes as in the Unicode database that comes with Python."""
    turning = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    for number in range(0x110000):
        character = chr(number)
        hidden = unicodedata.category(character) in {"Cc", "Cs", "Zl", "Zp"}
        if hidden or unicodedata.bidirectional(character) in turning:
            shown = visible(f"a{character}b")
            assert re.fullmatch(r"a\\(n|t|r|x[0-9a-f]{2}|u[0-9a-f]{4})b", shown), hex(number)


def test_codes_are_those_of_python_and_bytes_of_names_that_are_no_utf8_are_bytes() -> None:
    assert visible("\x1b[31m\x9b\u202e\n\t") == r"\x1b[31m\x9b\u202e\n\t"
    assert visible(b"bad\xff".decode(errors="surrogateescape")) == r"bad\xff"
    assert visible("\ud800 \U000e0041") == r"\ud800 \U000e0041"
    assert visible("a\nb\x07\n", lines=True) == "a\nb\\x07\n"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("<script>", "&lt;script&gt;"), ("a | b", r"a \| b"), ("[x](y)", r"\[x\](y)"), ("_so_", r"\_so\_"),
        ("*so* `x`", r"\*so\* \`x\`"), ("# title", r"\# title"), ("&lt;", "&amp;lt;"), ("$x$", r"\$x\$"),
        ("snake_case, 2 * 3 < 7 & more", "snake_case, 2 * 3 < 7 & more"), ("a\nb", r"a\\nb"),
        (":bomb: 12:30: x", r"\:bomb: 12\:30: x"),
        ("100 % of the limit (5.5 mm)", "100 % of the limit (5.5 mm)"),
    ],
)  # fmt: skip
def test_markdown_shows_words_as_they_are(text: str, written: str) -> None:
    assert in_markdown(text) == written


def test_no_backtick_ends_a_span_of_code() -> None:
    assert code_in_markdown("strip.width") == "`strip.width`"
    assert code_in_markdown("a`b") == "``a`b``"
    assert code_in_markdown("``a") == "``` ``a ```"
    assert code_in_markdown("a\x1b") == r"`a\x1b`"
