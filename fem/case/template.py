"""The commented case file that `pushpast new` writes: every table, every key, safe values."""

from __future__ import annotations

import dataclasses
import inspect
import math
import re
import textwrap
from collections.abc import Mapping
from typing import Any

from fem.design.loading import PUSHES
from fem.design.material import LIBRARY
from fem.design.obstacle import OBSTACLES
from fem.design.section import SECTIONS
from fem.design.settings import Settings

_TEXT = """\
# {name}. Units: mm, N, MPa, s, tonne; angles in degrees. A line "# key = value" is an option; take the "# "
# away to use it. `pushpast check` prints what follows from these numbers, `pushpast run` simulates them.
#
# Axes: the origin is the axle's centre. The strip leaves the axle at its bottom, heads +x and passes the slot
# where x is the casing's radius; +y points from there toward the axle's level. Positive means toward the
# axle: a bend of a positive angle turns the way the coil turns.

title = "{title}"
teaches = "Write here in one sentence what this case shows."
# extends = "other.toml"      start from another case: tables merge, lists are replaced

[strip]
width = 12.0                  # developed width, the largest along the strip
winding = "equal"             # hollow side toward the axle ("equal") or away from it ("opposite")
# root_opening = 0.0          # length over which it opens from flat; 0: the clamp flattens it

[strip.path]                  # rest shape of the middle line, from the root at the axle to the tip
runs = [
    {{ straight = 25.0 }},
    {{ bend = 35.0, radius = 25.0 }},      # degrees; radius to the middle line
    {{ straight = 18.0 }},
    {{ bend = -25.0, radius = 30.0 }},
    {{ straight = 24.0 }},
]
# transition = 3.0            # between runs; default: what fits, at most 3
# through = [[0.0, 0.0], [40.0, 5.0], [90.0, 30.0]]    instead of runs: a smooth curve through points

[strip.section]
# kind is one of
{sections}
kind = "arc"
radius = 12.0                 # to the middle of the thickness; or depth = rise of the arc over the full width

[[strip.layers]]              # from the face away from the axle to the face toward it; repeat for more layers
# material is one of your own, or of the library:
{materials}
material = "tpu-95a"
thickness = 0.6
# angle = 0.0                 # direction of fibres or raster, from along the strip toward across
# across = [-3.0, 3.0]        # only this stretch of the width ...
# along = [10.0, 60.0]        # ... and this stretch of the length; outside, the layer is
# elsewhere = "tpu-85a"       # this material, or nothing

# [[strip.stations]]          # taper: width and depth here, smooth between stations
# at = 60.0
# width = 12.0
# depth = 1.0                 # 1: the full section, 0: flat

[axle]
radius = 4.0

[casing]
radius = 10.0                 # inside

[slot]
gap = 1.0                     # clear opening across the strip's thickness
length = 1.5                  # channel from the casing's inside outward
# lip = 0.5                   # radius of the rounded edges
# height = 0.0                # offset from the line on which the strip leaves the axle

[friction]
strip = 0.2                   # strip on axle, casing, slot and obstacles
wraps = 0.2                   # wrap on wrap in the coil

# [[obstacles]]               # outside the casing; kind is one of
{obstacles}
# kind = "cylinder"
# x = 60.0
# y = -20.0
# radius = 5.0

# [weight]
# acts = false
# direction = -90.0           # from +x toward +y

[motor]                       # leave the table out to learn the torque first
stall_torque = 4.0            # N mm at the motor's shaft
no_load_speed = 9000.0        # rpm at the motor's shaft
gear_ratio = 100.0
efficiency = 0.5

[push]                        # what is done to the strip; kind is one of
{pushes}
kind = "retract-then-deploy"
# travel = 60.0               # strip to wind in through the slot; default: all but left_out
# left_out = 5.0
#
# Two tests of the strip when it is out (in place of the lines above):
#   kind = "press"            # a force at one station: stiffness, snap load, shape error, sag
#   force = 0.2               # N it grows to
#   station = 80.0            # from the root; default: the tip
#   direction = -90.0         # from +x toward +y
#   held = "slot"             # by axle and slot, as it works; "clamped": by its flattened root, in the air
#
#   kind = "column"           # pressed together along its own line: what it carries before it buckles
#   free_length = 40.0        # from the slot's mouth, or from the root when held is "clamped"
#   free_lengths = [20.0, 30.0]  # the same at these lengths
#   shortening = 2.0          # of free_length; of the others in proportion
#   ends = "pinned"           # or "clamped"
#   held = "slot"

# [solver]                    # numerical settings; the defaults are meant to be left alone
# element = {settings.element}               # longest element
# element_fine = {settings.element_fine}          # at bends, root and slot
# turn = {turn:.3g}                 # largest turn of the axle per step

# [compare]                   # how far a number may move before `compare` says so, as a share
# deploy_torque_peak_Nmm = 0.05

# [[vary]]                    # what `sweep` changes, in place of its --vary; repeat for more
# key = "casing.radius"
# low = 9.0
# high = 12.0                 # or choices = ["equal", "opposite"] in place of low and high
# step = 0.25                 # what can be made; default: any value

# [goal]                      # what `limit --goal` looks for the border of
# deploy_margin = {{ at_least = 0.3 }}          # of the motor's torque left over
# strain_share_working = {{ at_most = 0.9 }}    # of the material's limit

# [materials.my-plastic]      # a material of your own
# young = 1200.0              # MPa
# poisson = 0.4
# strain_limit = 0.03         # elastic limit
# density = 1.2e-9            # tonne/mm^3: 1.2e-9 is 1.2 g/cm^3
# source = "bending test of a printed sample"
"""


def starter(name: str) -> str:
    """Text of a new case called `name`; it passes `check` as it stands."""
    settings = Settings()
    return _TEXT.format(
        name=name,
        settings=settings,
        turn=math.degrees(settings.turn),
        title=name.replace("-", " ").replace("_", " ").capitalize(),
        sections=kinds({section.kind: section for section in SECTIONS}),
        materials=comment(", ".join(material.name for material in LIBRARY)),
        obstacles=kinds({obstacle.__name__.lower(): obstacle for obstacle in OBSTACLES}),
        pushes=kinds({push.kind: push for push in PUSHES}),
    )


def kinds(classes: Mapping[str, type[Any]]) -> str:
    """Comment lines that tell each kind by the first sentence of its class, and name its keys."""
    lines = []
    for kind, cls in classes.items():
        sentence = re.split(r"(?<=\.)\s", inspect.cleandoc(cls.__doc__ or ""), maxsplit=1)[0]
        keys = ", ".join(field.name for field in dataclasses.fields(cls))
        lines.append(comment(f'"{kind}": {" ".join(sentence.split())}' + (f" Keys: {keys}." if keys else "")))
    return "\n".join(lines)


def comment(text: str) -> str:
    """A text as comment lines, the second and all that follow set in."""
    return textwrap.fill(text, 104, initial_indent="#   ", subsequent_indent="#       ")
