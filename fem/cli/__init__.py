"""The verbs of the command and what they print."""
