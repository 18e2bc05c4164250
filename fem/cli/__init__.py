"""The verbs of the command and what they print."""

__all__ = ["verbs"]
