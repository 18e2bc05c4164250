"""How a run can end: the one registry of statuses, with all that is ever said about each.

A member of `Status` is its text (`Status.JAMMED == "jammed"`), which is what a result holds; its entry says
when it is given, what to do, the sentence of a verdict, and for a maker with the strip in hand what happens,
how it shows and which numbers of a case act on it, in which direction. How a strip jams stands in the same
way in `fem.simulation.jam_modes`. README tables, pages and the terminal are made from these entries.

Directions follow from the mechanics named beside them (belt friction of Euler and Eytelwein: pull grows by
exp(mu angle) around a drum; a plate's bending stiffness grows with the cube of its thickness; both textbook,
from memory); what is only habit of the trade says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

PRACTICE = "(common practice, no source)"
SHARE_LIMIT = 1.0
"""Share of a material's strain limit above which a strip counts as over-strained."""


@dataclass(frozen=True)
class Lever:
    """One number of a case that acts: its key, the way to move it, and what that does."""

    key: str
    way: str
    does: str

    def __str__(self) -> str:
        return f"{self.way} `{self.key}`: {self.does}"


@dataclass(frozen=True)
class Explanation:
    """What happens in an outcome, how it looks on the bench, what acts on it."""

    happens: str
    bench: str
    levers: tuple[Lever, ...]


class Outcome(StrEnum):
    """A named outcome: its text, and the entry that explains it."""

    entry: Explanation

    def __new__(cls, text: str, entry: Explanation) -> Self:
        """A member whose value is its text alone."""
        member = str.__new__(cls, text)
        member._value_ = text
        member.entry = entry
        return member

    @property
    def happens(self) -> str:
        """What happens, in whole sentences."""
        return self.entry.happens

    @property
    def bench(self) -> str:
        """How it shows with the real strip in hand, in whole sentences."""
        return self.entry.bench

    @property
    def levers(self) -> tuple[Lever, ...]:
        """What acts on it, the best first."""
        return self.entry.levers


# ---- levers that several outcomes share --------------------------------------------------------------------

LESS_FRICTION = Lever(
    "friction.strip", "lower", "the push needed grows by exp(friction x angle of contact) around the coil"
)
LESS_FRICTION_OF_WRAPS = Lever(
    "friction.wraps", "lower", "wraps slide on each other and the coil can loosen evenly"
)
SMALLER_CASING = Lever(
    "casing.radius", "lower", "the coil has less room to swell, so less length lies loose before it pushes"
)
LESS_WOUND = Lever("push.left_out", "raise", "fewer wraps, a shorter arc of contact")
WIDER_SLOT = Lever("slot.gap", "raise", "presses the section less flat and lets a bend stand in the slot")
THINNER = Lever(
    "strip.layers.thickness", "lower", "bending stiffness falls with its cube; the strip carries less, too"
)
SHALLOWER = Lever("strip.section.radius", "raise", "a shallower section takes less to flatten and to coil")
DEEPER = Lever("strip.section.radius", "lower", "a deeper section folds at a higher moment")
LARGER_AXLE = Lever("axle.radius", "raise", "coils the strip less sharply: less strain and less torque")
HIGHER_RATIO = Lever("motor.gear_ratio", "raise", "more torque at the axle, slower")
STRONGER_MOTOR = Lever("motor.stall_torque", "raise", "more torque at the axle")
STIFFER_ROOT = Lever(
    "strip.layers.along", "add a layer with", "a stiffer first stretch behind the clamp does not fold so soon"
)


# ---- statuses ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StatusEntry(Explanation):
    """Everything said about a status.

    given: when a run gets it. advice: what to do then (Markdown). sentence: of the verdict, with named places
    that whoever judges fills. good: nothing went wrong.
    """

    given: str
    advice: str
    sentence: str
    good: bool = False


_OVER = (
    "Somewhere the strain passes the limit of the material: it yields, whitens, cracks or, in a polymer, "
    "stays bent. Forces beyond that point are only indicative, because the material is taken as linear."
)
_OVER_BENCH = (
    "After a few cycles the strip stands curled or its section shallower than it was made; white creases at "
    f"the root's edges in printed parts {PRACTICE}."
)
_OVER_LEVERS = (
    LARGER_AXLE,
    THINNER,
    SHALLOWER,
    Lever("strip.root_opening", "raise", "the section opens over a longer way and strains less"),
    Lever("materials", "change", "one with a higher elastic limit as a strain"),
)
_STOPS = (
    "{mode}, {place}, at travel {travel:.1f} mm and {torque:.1f} N mm{motor}{forced}{safe}. Try: {remedy}."
    "{cure}{turned}{strain}"
)
_WINDS_IN = "Winds in with at most {winding_in:.1f} N mm"
_COMES_OUT = f"{_WINDS_IN} and comes out with at most {{pushing_out:.1f}} N mm"
_AND_MORE = "{turned}{strain}"


class Status(Outcome):
    """How a run ended; a jam has a mode besides."""

    entry: StatusEntry

    DEPLOYED = (
        "deployed",
        StatusEntry(
            happens="The strip winds in and comes out again.",
            bench="Compare the torque at the axle, or the motor's current, with the curve: where the real "
            f"one is higher all along, friction is higher than assumed {PRACTICE}.",
            levers=(LESS_FRICTION, HIGHER_RATIO),
            given="wound in and came out again",
            advice="compare the largest torque either way with the motor's; leave a margin for friction you "
            "have not measured",
            sentence=f"{_COMES_OUT}{{motor}}.{_AND_MORE}",
            good=True,
        ),
    )
    DEPLOYED_STRAINED = (
        "deployed, over-strained",
        StatusEntry(
            happens=f"The strip winds in and comes out again, but not unharmed. {_OVER}",
            bench=_OVER_BENCH,
            levers=_OVER_LEVERS,
            given="wound in and came out again, but strained beyond the limit of a material on the way",
            advice="read where and in which phase: a larger axle, a thinner or shallower strip, another "
            "material; forces beyond the limit are only indicative",
            sentence=f"{_COMES_OUT}, but over-strained{{motor}}.{_AND_MORE}",
        ),
    )
    RETRACTED = (
        "retracted",
        StatusEntry(
            happens="The strip winds in; pushing it out was not asked for.",
            bench="Winding in says little about coming out: a strip can always be pulled. Ask for the whole "
            "cycle.",
            levers=(Lever("push.kind", "set", '"retract-then-deploy" computes the way out as well'),),
            given="wound in; pushing out was not asked for",
            advice="as for `deployed`",
            sentence=f"{_WINDS_IN}.{_AND_MORE}",
            good=True,
        ),
    )
    RETRACTED_STRAINED = (
        "retracted, over-strained",
        StatusEntry(
            happens=f"The strip winds in, but not unharmed; pushing it out was not asked for. {_OVER}",
            bench=_OVER_BENCH,
            levers=_OVER_LEVERS,
            given="wound in, but strained beyond the limit of a material on the way",
            advice="as for `deployed, over-strained`",
            sentence=f"{_WINDS_IN}, but over-strained.{_AND_MORE}",
        ),
    )
    JAMMED = (
        "jammed",
        StatusEntry(
            happens="Pushed out, the strip stops on a stable state; the mode of the jam says how.",
            bench="The tip stands still while the axle pushes on.",
            levers=(),
            given="on a stable state, pushing asked for more torque than the motor has (without a motor: "
            "than any motor chosen for winding in will have), turning brought no more travel, or the strip "
            "folded up until its inner face had no length left",
            advice="read mode and place, try the first remedy; or stop at the *safe travel*, the largest "
            "from which it still comes out with 5 % of the motor's torque in hand",
            sentence=f"Jams: {_STOPS}",
        ),
    )
    STALLED = (
        "stalled on retract",
        StatusEntry(
            happens="Winding in asks for more torque than the motor has, or turning brings no more strip in.",
            bench="The motor stalls pulling, mostly with a bend at the slot or when the section is pressed "
            f"flat at the lips; the strip squeaks there {PRACTICE}.",
            levers=(HIGHER_RATIO, STRONGER_MOTOR, WIDER_SLOT, THINNER, SHALLOWER, LESS_FRICTION),
            given="winding in asks for more than the motor has, brings no more travel, or folds the strip up",
            advice="take the motor torque or the travel that the sentence gives; or a thinner or shallower "
            "strip, less friction",
            sentence=f"Winding in stops: {_STOPS}",
        ),
    )
    SWALLOWED = (
        "tip swallowed",
        StatusEntry(
            happens="The tip slips through the slot into the casing and cannot find its way out.",
            bench="The slot is empty and the tip rattles inside; only opening the casing helps.",
            levers=(
                Lever("push.left_out", "raise", "more strip stays outside when the winding ends"),
                Lever("push.travel", "lower", "winds in less"),
            ),
            given="the tip slipped through the slot into the casing",
            advice="take the travel or the length to leave outside that the sentence gives, or add a stop",
            sentence="The tip slips through the slot into the casing{at}.{cure}{strain}",
        ),
    )
    NOT_CONVERGED = (
        "not converged",
        StatusEntry(
            happens="The computation stopped, not the strip. The last good state is kept and says nothing "
            "about the design.",
            bench="Nothing to see on the bench: do not read a jam into it.",
            levers=(
                Lever("solver.turn", "lower", "smaller steps of the axle"),
                Lever("solver.element", "lower", "a finer strip, slower"),
            ),
            given="the program stopped, not the strip; the last good state is kept",
            advice="this says nothing about the design. Winding has tried finer steps, a finer mesh and more "
            "contact points by itself: try the other model; on the bench lower `solver.element`",
            sentence="Not converged{at}: {trouble}. This is numerical, not a jam; the path up to there "
            "stands.{hint}",
        ),
    )
    OUT_OF_TIME = (
        "out of time",
        StatusEntry(
            happens="The time that a run was given (`--limit`) ran out before it came to a verdict.",
            bench="Nothing to see on the bench: what is told so far holds, what comes after it is not known.",
            levers=(
                Lever("solver.turn", "raise", "longer steps of the axle, fewer of them"),
                Lever("solver.element", "raise", "a coarser strip, quicker"),
            ),
            given="the time of `--limit` ran out before a verdict",
            advice="run it again, without the limit or with a longer one: it goes on where it stood",
            sentence="The time ran out {during}{so_far}. Run it again to go on from there.{strain}",
        ),
    )
    HELD = (
        "held",
        StatusEntry(
            happens="On the bench: it carried the load, or went all the way, without giving way.",
            bench="The load grows steadily with the way; nothing clicks.",
            levers=(DEEPER,),
            given="on the bench: carried the load, or went all the way, without giving way",
            advice="read stiffness and load at the end",
            sentence="Holds {end}.",
            good=True,
        ),
    )
    BUCKLED = (
        "buckled",
        StatusEntry(
            happens="Pressed together lengthwise, its load stopped growing: it bows out and carries no more.",
            bench="It bows suddenly to one side and springs back when let go. Guards on: it can whip out of "
            "the grips.",
            levers=(
                Lever("push.free_length", "lower", "the load grows as one over the length squared (Euler)"),
                DEEPER,
                Lever("strip.layers.thickness", "raise", "stiffer, and more torque to wind"),
            ),
            given="a column's load fell, or all but stopped growing",
            advice="the load is what it carries",
            sentence="Buckles and carries {end}.",
        ),
    )
    SNAPPED = (
        "snapped",
        StatusEntry(
            happens="The load fell along the way: the section collapsed into a fold, with a snap.",
            bench="An audible click and a kink that stays until the load is taken off.",
            levers=(
                DEEPER,
                Lever("strip.layers.thickness", "raise", "a higher peak moment, and more torque to wind"),
            ),
            given="the load of a bend or press fell by more than 5 % along the way",
            advice="the first peak is what it carries",
            sentence="Gives way at {peak}.",
        ),
    )
    TOO_SOFT = (
        "too soft",
        StatusEntry(
            happens="It never reached the wanted load and nothing snapped: it gives way smoothly.",
            bench="It bends like a blade, with no click, and follows the finger.",
            levers=(
                DEEPER,
                Lever("strip.layers.thickness", "raise", "stiffer with its cube where flat"),
                Lever("strip.path.runs", "shorten", "a shorter free length is stiffer with its cube"),
            ),
            given="a press never reached its load, and nothing snapped",
            advice="it gives way smoothly: deepen the section, thicken, shorten",
            sentence="Carries only {end}: it gives way smoothly instead of holding.",
        ),
    )


OVER_STRAINED = frozenset({Status.DEPLOYED_STRAINED, Status.RETRACTED_STRAINED})
"""Statuses of a cycle that went through, but beyond the limit of a material."""
GOOD = frozenset(status for status in Status if status.entry.good)
"""Statuses in which nothing went wrong."""


class Condition(Outcome):
    """What may come on top of any status."""

    OVER_STRAINED = (
        "over-strained",
        Explanation(_OVER, _OVER_BENCH, _OVER_LEVERS),
    )
    TWIST = (
        "twist out of symmetry",
        Explanation(
            "A thin stiff strip bent in equal sense may twist sideways before it folds. The quick model "
            "stays symmetric about the middle line and cannot show it; the shell can.",
            "One edge goes slack first and the free part turns about its own length; a torsion wobble when "
            f"you tap the tip {PRACTICE}.",
            (
                Lever("strip.winding", "set", '"opposite" folds with a snap but does not twist before it'),
                SHALLOWER,
            ),
        ),
    )


class NoResult(StrEnum):
    """Why a case of a batch has no result; stands where a status would."""

    BAD_INPUT = "bad input"
    STOPPED = "stopped"
    BROKEN_OFF = "broken off"
