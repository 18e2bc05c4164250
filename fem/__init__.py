"""Predict whether a springy curved strip winds in, comes out again, or jams.

The package is a chain of plain stages, each returning what the next one needs: case file -> strip and
surroundings -> mesh -> model and energy terms -> path of stable states -> verdict -> pictures. Units
everywhere: mm, N, MPa, s, tonne; radians in code, degrees in case files.
"""

__version__ = "0.1.0"
