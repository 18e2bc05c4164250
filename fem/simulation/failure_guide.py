"""What each way to fail means on the bench, in plain words: one source for page, report, verdict and docs.

An entry tells what happens, how a maker recognises it with the real strip in hand, and which numbers of the
case act on it and in which direction. Directions follow from the mechanics named beside them (belt friction
of Euler and Eytelwein: pull grows by exp(mu angle) around a drum; a plate's bending stiffness grows with the
cube of its thickness; both textbook, from memory); what is only habit of the trade says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

PRACTICE = "(common practice, no source)"


@dataclass(frozen=True)
class Lever:
    """One number of a case that acts: its key, the way to move it, and what that does."""

    key: str
    way: str
    does: str

    def __str__(self) -> str:
        return f"{self.way} `{self.key}`: {self.does}"


@dataclass(frozen=True)
class Explained:
    """One outcome: its name in a verdict, what happens, how it looks on the bench, what acts on it."""

    name: str
    happens: str
    bench: str
    levers: tuple[Lever, ...]


_LESS_FRICTION = Lever(
    "friction.strip", "lower", "the push needed grows by exp(friction x angle of contact) around the coil"
)
_LESS_RUBBING = Lever("friction.wraps", "lower", "wraps slide on each other and the coil can loosen evenly")
_SMALLER_CASING = Lever(
    "casing.radius", "lower", "the coil has less room to swell, so less length lies loose before it pushes"
)
_LESS_WOUND = Lever("push.left_out", "raise", "fewer wraps, a shorter arc of contact")
_WIDER_SLOT = Lever("slot.gap", "raise", "presses the section less flat and lets a bend stand in the slot")
_THINNER = Lever(
    "strip.layers.thickness", "lower", "bending stiffness falls with its cube; the strip carries less, too"
)
_SHALLOWER = Lever("strip.section.radius", "raise", "a shallower section takes less to flatten and to coil")
_DEEPER = Lever("strip.section.radius", "lower", "a deeper section folds at a higher moment")
_LARGER_AXLE = Lever("axle.radius", "raise", "coils the strip less sharply: less strain and less torque")
_GEAR = Lever("motor.gear_ratio", "raise", "more torque at the axle, slower")
_STRONGER = Lever("motor.stall_torque", "raise", "more torque at the axle")
_STIFF_ROOT = Lever(
    "strip.layers.along", "add a layer with", "a stiffer first stretch behind the clamp does not fold so soon"
)

MODES: tuple[Explained, ...] = (
    Explained(
        "root span folds",
        "The coil holds fast in the casing. The short span from the axle to the coil takes the whole push, "
        "buckles and folds over; the axle turns on and nothing comes out.",
        "The motor turns but the tip stands still. With the lid off, a sharp kink shows right behind the "
        "clamp, often with a white crease in a printed strip. Pulling the tip by hand frees it at once "
        f"{PRACTICE}.",
        (_LESS_FRICTION, _LESS_RUBBING, _SMALLER_CASING, _STIFF_ROOT, _LESS_WOUND),
    ),
    Explained(
        "strip folds before the slot",
        "The strip leaves the coil, but the free span that runs to the slot is pushed from behind, held in "
        "front, and folds over inside the casing.",
        "A soft knock inside the casing, then the torque drops and the tip stops. A loop stands between coil "
        f"and slot when you look in; it comes back at the same place {PRACTICE}.",
        (
            Lever("casing.radius", "lower", "the slot comes nearer the coil and the free span shorter"),
            _LESS_FRICTION,
            _WIDER_SLOT,
            _DEEPER,
        ),
    ),
    Explained(
        "strip folds outside the slot",
        "The strip comes through, but folds at the lip or beyond it: it runs into something, its own weight "
        "or load bends it, or the section has not opened yet when the load comes on.",
        "The part outside hangs or kinks at the lip while the axle goes on pushing; lifting the tip by hand "
        f"lets it go on {PRACTICE}.",
        (
            Lever("obstacles", "change", "guide the strip until its section is open; move what it hits"),
            _DEEPER,
            Lever("slot.length", "lower", "the section opens sooner behind the slot"),
        ),
    ),
    Explained(
        "bend does not pass the slot",
        "A bend formed into the strip has to be straightened to slide through the slot. That costs more push "
        "than there is, and the bend stays in the channel.",
        "It stops every time with the same bend in the slot. Fresh rub marks on the lips at the bend; a "
        f"straight strip of the same section runs through {PRACTICE}.",
        (
            Lever("strip.path.runs", "raise the radius in", "a gentler bend takes less to straighten"),
            _WIDER_SLOT,
            Lever("slot.length", "lower", "less of the bend has to be straight at once"),
            Lever("slot.lip", "raise", "rounder lips let the bend turn into the channel"),
            _THINNER,
        ),
    ),
    Explained(
        "coil locks in the casing",
        "Pushed from the axle, the coil swells and lies against the casing. Around that arc friction adds up "
        "as on a belt around a drum: push at the root decays to nothing before it reaches the slot.",
        "Torque climbs smoothly and fast with no movement at the tip, without a knock. Turning the axle the "
        f"other way frees it at once; a drop of dry lubricant changes everything {PRACTICE}.",
        (_LESS_FRICTION, _SMALLER_CASING, _SHALLOWER, _LESS_WOUND),
    ),
    Explained(
        "motor too weak",
        "Nothing folds or locks; the strip only asks for more torque than the motor has at the axle.",
        "The motor slows down and stalls, the same strip turned by hand with a key on the axle comes out. "
        "Cut the power soon: a stalled motor heats within seconds "
        f"{PRACTICE}.",
        (_GEAR, _STRONGER, _LESS_FRICTION, _THINNER, _SHALLOWER),
    ),
    Explained(
        "strip stops moving",
        "The axle goes on turning but no more strip comes through the slot, and the state shows no sharper "
        "reason: the turning goes into loosening the coil.",
        "Turning the axle back and forth moves the coil, not the tip. If the coil is tight on the axle, look "
        f"at the clamp: a slipping root looks the same and is not simulated {PRACTICE}.",
        (_LESS_FRICTION, _SMALLER_CASING, _STIFF_ROOT),
    ),
)
"""Every mode a jam can have, in the order of the diagnosis."""

STATUSES: tuple[Explained, ...] = (
    Explained(
        "deployed",
        "The strip winds in and comes out again.",
        "Compare the torque at the axle, or the motor's current, with the curve: where the real one is "
        f"higher all along, friction is higher than assumed {PRACTICE}.",
        (_LESS_FRICTION, _GEAR),
    ),
    Explained(
        "retracted",
        "The strip winds in; pushing it out was not asked for.",
        "Winding in says little about coming out: a strip can always be pulled. Ask for the whole cycle.",
        (Lever("push.kind", "set", '"retract-then-deploy" computes the way out as well'),),
    ),
    Explained(
        "stalled on retract",
        "Winding in asks for more torque than the motor has, or turning brings no more strip in.",
        "The motor stalls pulling, mostly with a bend at the slot or when the section is pressed flat at the "
        f"lips; the strip squeaks there {PRACTICE}.",
        (_GEAR, _STRONGER, _WIDER_SLOT, _THINNER, _SHALLOWER, _LESS_FRICTION),
    ),
    Explained(
        "tip swallowed",
        "The tip slips through the slot into the casing and cannot find its way out.",
        "The slot is empty and the tip rattles inside; only opening the casing helps.",
        (
            Lever("push.left_out", "raise", "more strip stays outside when the winding ends"),
            Lever("push.travel", "lower", "winds in less"),
        ),
    ),
    Explained(
        "not converged",
        "The computation stopped, not the strip. The last good state is kept and says nothing about the "
        "design.",
        "Nothing to see on the bench: do not read a jam into it.",
        (
            Lever("solver.turn", "lower", "smaller steps of the axle"),
            Lever("solver.element", "lower", "a finer strip, slower"),
        ),
    ),
    Explained(
        "held",
        "On the bench: it carried the load, or went all the way, without giving way.",
        "The load grows steadily with the way; nothing clicks.",
        (_DEEPER,),
    ),
    Explained(
        "buckled",
        "Pressed together lengthwise, its load stopped growing: it bows out and carries no more.",
        "It bows suddenly to one side and springs back when let go. Guards on: it can whip out of the grips.",
        (
            Lever("push.free_length", "lower", "the load grows as one over the length squared (Euler)"),
            _DEEPER,
            Lever("strip.layers.thickness", "raise", "stiffer, and more torque to wind"),
        ),
    ),
    Explained(
        "snapped",
        "The load fell along the way: the section collapsed into a fold, with a snap.",
        "An audible click and a kink that stays until the load is taken off.",
        (_DEEPER, Lever("strip.layers.thickness", "raise", "a higher peak moment, and more torque to wind")),
    ),
    Explained(
        "too soft",
        "It never reached the wanted load and nothing snapped: it gives way smoothly.",
        "It bends like a blade, with no click, and follows the finger.",
        (
            _DEEPER,
            Lever("strip.layers.thickness", "raise", "stiffer with its cube where flat"),
            Lever("strip.path.runs", "shorten", "a shorter free length is stiffer with its cube"),
        ),
    ),
)
"""Every status a verdict can have besides "jammed", which its mode explains."""

CONDITIONS: tuple[Explained, ...] = (
    Explained(
        "over-strained",
        "Somewhere the strain passes the limit of the material: it yields, whitens, cracks or, in a polymer, "
        "stays bent. Forces beyond that point are only indicative, because the material is taken as linear.",
        "After a few cycles the strip stands curled or its section shallower than it was made; white creases "
        f"at the root's edges in printed parts {PRACTICE}.",
        (
            _LARGER_AXLE,
            _THINNER,
            _SHALLOWER,
            Lever("strip.root_opening", "raise", "the section opens over a longer way and strains less"),
            Lever("materials", "change", "one with a higher elastic limit as a strain"),
        ),
    ),
    Explained(
        "twist out of symmetry",
        "A thin stiff strip bent in equal sense may twist sideways before it folds. The quick model stays "
        "symmetric about the middle line and cannot show it; the shell can.",
        "One edge goes slack first and the free part turns about its own length; a torsion wobble when you "
        f"tap the tip {PRACTICE}.",
        (
            Lever("strip.winding", "set", '"opposite" folds with a snap but does not twist before it'),
            _SHALLOWER,
        ),
    ),
)
"""What may come on top of any status."""

GOOD = ("deployed", "retracted", "held")
"""Statuses in which nothing went wrong."""

SHARE_LIMIT = 1.0
"""Share of a material's strain limit above which a strip counts as over-strained."""


def explain(name: str) -> Explained | None:
    """The entry of a mode, status or condition; None for a name nobody explained."""
    return next((entry for entry in (*MODES, *STATUSES, *CONDITIONS) if entry.name == name), None)


def explanations(status: str, mode: str | None, strain_share: float) -> tuple[Explained, ...]:
    """Entries of a verdict: its mode (or its status), and over-strained where a limit is passed."""
    names = [mode] if mode is not None else []
    if mode is None or status == "stalled on retract":
        names.append(status)
    if strain_share > SHARE_LIMIT:
        names.append("over-strained")
    return tuple(entry for name in names if (entry := explain(name)) is not None)


def markdown_table(entries: Iterable[Explained]) -> str:
    """A table for the docs, one row per entry."""
    rows = ["| outcome | what happens | on the bench | what acts on it |", "|---|---|---|---|"]
    for entry in entries:
        levers = "; ".join(str(lever) for lever in entry.levers)
        rows.append(f"| `{entry.name}` | {entry.happens} | {entry.bench} | {levers} |")
    return "\n".join(rows) + "\n"
