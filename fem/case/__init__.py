"""From a text file or a dictionary to a frozen `Case`: reading, units and limits, geometry that cannot exist,
digests, a change by copy, what changed between two versions, and what follows from its numbers without a
solve. Every fault is told with file, line, key and remedy.
"""

__all__ = [
    "changes",
    "definition",
    "estimate",
    "keys",
    "schema",
    "study_tables",
    "template",
    "tolerance",
    "variation",
]
