"""Causes, and what to do about them, in plain words for a dark pad."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.diagnosis.causes import SUPPLY, Case
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sequencer.diagnosis.acts import Act, Next
    from sequencer.diagnosis.causes import Cause, Kind
    from sequencer.diagnosis.explain import Diagnosis, Explanation, Group

CAUTION = (
    "Only the low-voltage terminals are yours to touch, and only switched off and locked off. The mains side, the "
    "transformer's primary and bonding are for licensed people; never defeat a GFCI or RCD, not even for a test. "
    "Nobody in the water. Local code governs."
)
_KINDS: dict[Kind, str] = {
    "nothing": "nothing is wrong: a scene was read wrongly",
    "dead": "lamp {where} is dead",
    "stuck": "lamp {where} is stuck: it lights and no longer listens",
    "ride_through": "lamp {where} rides through breaks of up to {how} s that it should notice",
    "weak": "lamp {where} is weak: its capacitor is spent, and it notices breaks that it should ride through",
    "clock": "lamp {where} has a clock far out of its datasheet's tolerance",
    "cord": "lamp {where} gets too few volts: its own cord, or a joint in it",
    "run": "the run to {where} is too thin or has a bad joint: too few volts for all behind it",
    "tap": "the circuit is on the tap of {other} V, not on the one that the site file says",
    "volts": "too few volts at all lamps: the tap, a full transformer or the first run",
    "as_built": "too few volts by the site file's own figures: tap and cables as they are written down",
    "bounce": "the relay's contact parts again after it has closed: lamps count twice",
    "start": "the train did not clear the lamps: they were still counting when it began",
    "unexplained": "none of the causes known here",
}
_HOW = {
    "dark": ", so few that it gives no light",
    "deaf": ", so few that it takes no pulse at all",
    "misses": ", so that it misses pulses",
    "unharmed": ", though it does its work on them",
}
_STEPS: dict[Kind, str] = {
    "nothing": "Look again, from beside the lamp, and send the scene once more.",
    "dead": "Switch off and lock off; hang a lamp that works on its cord. Dark too: it is the cord, not the lamp.",
    "stuck": "Hang the lamp on the cord of one that follows; if it does not follow there, replace it.",
    "ride_through": "Measure its ride-through on the bench and write it into a datasheet of its own.",
    "weak": "Replace the lamp: a spent capacitor does not mend.",
    "clock": "Try the lamp on the bench: measure where its windows lie, and write a datasheet for it.",
    "cord": "Measure volts at its terminals with all lamps lit; open, clean and remake the joints in its cord.",
    "run": "Measure volts at both ends of that run with all lamps lit; remake its joints or lay a thicker one.",
    "tap": "Switch off and lock off, look which terminal the cable is on, and write it into the site file.",
    "volts": "Measure volts at the nearest and the farthest lamp with all lit, and describe the supply: [supply].",
    "as_built": "Run lampstep supply: it says which tap or which cable would do.",
    "bounce": "Replace the relay, or measure its make_s with its bounce and write it into the site file.",
    "start": "Leave the switch alone for a minute and send the scene again with --after-cut: a lead-in clears them.",
    "other_type": "Look at the lamp's own mark, and give it the datasheet of what it is.",
    "unexplained": "Send the scene again and look at every lamp; then ask again with all that you saw.",
}


def cause_words(cause: Cause) -> str:
    """One cause in a few words.

    >>> from sequencer.diagnosis.causes import Cause
    >>> cause_words(Cause("dead", 1.0, (), "north", "north"))
    'lamp "north" is dead'
    """
    where = quoted(cause.where)
    if cause.kind == "other_type":
        whose = f"lamp {where} is" if cause.lamp else f"all lamps of {where} are"
        return f"{whose} of another datasheet: {quoted(cause.other)}"
    words = _KINDS[cause.kind].format(where=where, other=cause.other, how=cause.how)
    return words + ("" if cause.kind == "ride_through" else _HOW.get(cause.how, ""))


def group_words(group: Group) -> list[str]:
    """The causes of one group, a line each: one lamp's degrees of one kind are told once, at their least."""
    told: dict[tuple[str, str, str], Cause] = {}
    for cause in group.causes:
        if group.causes[0].kind == "nothing" and cause.kind != "nothing":
            continue  # nothing that was seen speaks for it
        told.setdefault((cause.kind, cause.where, cause.other), cause)
    return [cause_words(cause) for cause in told.values()]


def explanation_lines(explanation: Explanation) -> list[str]:
    """Its probability and its causes; those that cannot be told apart are joined by "or"."""
    lines = []
    for place, group in enumerate(explanation.groups):
        head = f"{explanation.probability:7.1%}  " if place == 0 else "    and  "
        for one, words in enumerate(group_words(group)):
            lines.append((head if one == 0 else "     or  ") + words)
    if any(len(group_words(group)) > 1 for group in explanation.groups):
        lines.append('         (those joined by "or" look the same in all that you looked at)')
    for lamp, missed in explanation.missed.items():
        pulses = "pulse" if missed == 1 else "pulses"
        lines.append(f"         then {lamp} missed {missed} {pulses} of the train")
    return lines


def steps(diagnosis: Diagnosis) -> list[str]:
    """What to do at the pad if the first explanation is right; of a group the first two."""
    kinds: list[Kind] = []
    for group in diagnosis.first.groups:
        kinds += group.kinds[:1] if group.kinds[0] == "nothing" else group.kinds[:2]
    return [_STEPS[kind] for kind in dict.fromkeys(kinds)]


def act_words(act: Act, case: Case) -> str:
    """What to do, as an order."""
    lamp, stem = quoted(act.lamp), case.lamps[act.lamp]
    if act.doing == "send":
        return f"send scene {quoted(act.scene)} once more and look at lamp {lamp}"
    if act.doing == "measure":
        return f"measure the volts at the terminals of lamp {lamp}, with all lamps lit"
    if act.doing == "power_down":
        return f"switch the supply off for {act.seconds:g} s and on again, and look at lamp {lamp}"
    if act.doing == "alone":
        return f"switched off and locked off, disconnect all lamps but {lamp}; send {quoted(act.scene)} and look at it"
    other = quoted(act.other)
    return (
        f"switched off and locked off, swap the cords of lamps {lamp} and {other} (both {stem}); send "
        f"{quoted(act.scene)} and look at lamp {lamp}"
    )


def next_lines(following: Next, case: Case) -> Iterator[str]:
    """The act, and what its outcomes would say."""
    yield f"{act_words(following.act, case)}:"
    yield f"  {_outcome(following.first)} speaks for the first, {_outcome(following.second)} for the second"


def _outcome(outcome: object) -> str:
    return "dark" if outcome is None else str(outcome)


def is_supply(explanation: Explanation) -> bool:
    """Whether too few volts are part of it."""
    return any(SUPPLY.intersection(group.kinds) for group in explanation.groups)
