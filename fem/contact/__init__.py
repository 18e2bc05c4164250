"""What rod and shell share where they touch things: signed distance to thick curves, penalty and friction
laws, scales that follow the strip, how it slides through a slot, the walls of a case, which side of them a
strip is on, contact of a kept state.
"""

__all__ = ["settings", "sides", "sliding", "state", "surroundings"]
