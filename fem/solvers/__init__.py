"""Equilibrium of any system of terms: Newton with the stability of every point, arc-length, static states
through snaps, damped motion with contact and friction, held and driven unknowns, softest modes.

Solvers know no strip, mesh or case; they are tested on trusses and folds with known answers.
"""

__all__ = [
    "arc_length",
    "balance",
    "constraints",
    "edge_constraints",
    "eigenmodes",
    "implicit_dynamics",
    "moving_system",
    "newton",
    "newton_loop",
    "quasistatic",
    "static_problem",
]
