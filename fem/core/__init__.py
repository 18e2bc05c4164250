"""What everything stands on: faults and exit codes, units of numbers, files put in place whole, computations
kept on disk, what a module imports, and the one protocol of whatever acts on the strip (`term`).

It knows no strip, no solver and no library beyond numpy.
"""

__all__ = ["atomic", "checkpoint", "errors", "schema_version", "sources", "term", "units", "user_folder"]
