"""What everything stands on: faults and exit codes, units of numbers, plain names and texts, files read with
care and put in place whole, computations kept on disk, what a module imports, and the one protocol of
whatever acts on the strip (`term`).

It knows no strip, no solver and no library beyond numpy.
"""

__all__ = [
    "atomic",
    "checkpoint",
    "errors",
    "names",
    "plain_text",
    "regular_file",
    "schema_version",
    "sources",
    "term",
    "units",
    "user_folder",
]
