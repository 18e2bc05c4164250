"""What is done to the strip, of whichever model: a push step by step, winding in and pushing out, bench
pushes, how a jam is recognised, how a result is judged. `run` knows the order; nothing else does.
"""

__all__ = [
    "failure_guide",
    "forecast",
    "jam_modes",
    "models",
    "recorder",
    "retract_deploy",
    "run",
    "run_context",
]
