"""Whether a text is a key of a case: for tests of what the program advises to change."""

from __future__ import annotations

import re

from fem.case.template import starter
from fem.design.loading import PUSHES

_WRITTEN = starter("x")
_OF_PUSHES = {name for push in PUSHES for name in push.__dataclass_fields__}


def is_case_key(text: str) -> bool:
    """Whether the starter shows this key or table, or a push has it."""
    *tables, key = text.split(".")
    shown = re.search(rf"^#? ?(\[*{re.escape(text)}[\].]|{key}\s*=)", _WRITTEN, re.M)
    return bool(shown) or (tables == ["push"] and key in _OF_PUSHES)
