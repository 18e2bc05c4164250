"""The tables of statuses and jam modes in README.md and cases/README.md, made from their registries.

A table stands between two comments that name it. After a change of a registry write them anew, from the
folder of the project:

    python -m fem.report.failure_tables
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from fem.core.atomic import whole_file
from fem.results.outcome import Condition, Outcome, Status
from fem.simulation.jam_modes import JamMode

FILES = (Path("README.md"), Path("cases") / "README.md")


def table(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = [f"| {' | '.join(cells)} |" for cells in (heading, *rows)]
    lines.insert(1, "|---" * len(heading) + "|")
    return "\n".join(lines) + "\n"


def statuses() -> str:
    """Every status: when it is given, what to do."""
    rows = [(f"`{one}`", one.entry.given, one.entry.advice) for one in Status]
    return table(("status", "what happened", "what to do"), rows)


def modes() -> str:
    """Every mode of a jam: what is seen, what to try."""
    rows = [(f"`{one}`", one.entry.seen, "; ".join(one.remedies)) for one in JamMode]
    return table(("mode", "what is seen", "what acts on it"), rows)


def explained(outcomes: Iterable[Outcome]) -> str:
    """Outcomes as a maker meets them: what happens, how it shows, which numbers of a case act on it."""
    rows = [
        (f"`{one}`", one.happens, one.bench, "; ".join(str(lever) for lever in one.levers))
        for one in outcomes
    ]
    return table(("outcome", "what happens", "on the bench", "what acts on it"), rows)


TABLES: dict[str, Callable[[], str]] = {
    "statuses": statuses,
    "jam modes": modes,
    "jam modes explained": lambda: explained(JamMode),
    "statuses explained": lambda: explained(one for one in Status if one != Status.JAMMED),
    "conditions explained": lambda: explained(Condition),
}
"""Name of a table -> what makes it. A jam is explained by its mode."""


def marked(name: str) -> str:
    """A table between the comments that name it."""
    return f"<!-- {name}: made by python -m fem.report.failure_tables -->\n{TABLES[name]()}<!-- end -->\n"


def failures() -> str:
    """What can go wrong, as a section of Markdown."""
    parts = (
        ("How a strip jams, from the sharpest evidence to the mildest:", "jam modes explained"),
        ("How a run can end besides a jam:", "statuses explained"),
        ("What may come on top:", "conditions explained"),
    )
    return "## What can go wrong\n\n" + "\n".join(f"{words}\n\n{marked(name)}" for words, name in parts)


def renewed(text: str) -> str:
    """A text with all its tables made anew. Raises KeyError for a table that nobody makes."""
    pattern = r"<!-- ([a-z ]+): made by python -m fem\.report\.failure_tables -->\n.*?<!-- end -->\n"
    return re.sub(pattern, lambda found: marked(found[1]), text, flags=re.S)


def main() -> None:
    """Write the tables of `FILES` below the present folder anew."""
    for file in FILES:
        text = file.read_text(encoding="utf-8")
        if (new := renewed(text)) != text:
            with whole_file(file) as unfinished:
                unfinished.write_text(new, encoding="utf-8")
            sys.stdout.write(f"wrote {file}\n")


if __name__ == "__main__":
    main()
