"""Published values and what this program makes of them. Each check names its source; `verify` loops over
them.
"""

__all__ = ["published", "verify"]
