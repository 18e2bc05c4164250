"""What rod and shell share where they touch things: signed distance to thick curves, penalty and friction
laws, scales that follow the strip, the walls of a case, which side
of them a strip is on.
"""

__all__ = ["settings", "sides", "surroundings"]
