"""A real contact, as captured, against a plan: bounce, lengths, what each lamp ends on, and whether it is spoiled.

An edge is where the contact comes to rest: closing counts until it is closed for good, opening until the current is
gone, bounce and arc included, as a relay's ``make_s`` and ``break_s`` are defined. Nothing is known here of when the
contact was commanded, unless that was captured too; so lengths are judged, and lengths are what lamps hear.

Two things must hold. The train is there, each length within the plan's slack, and nothing moved unplanned. And from
all that the contact did, from the capture's first moment to its last, every lamp certainly ends on its scene: that is
followed through the lamps' own automata (:mod:`.heard`). A plan that does not say how its lamps behave can prove
nothing but its own train: then any break before or after it spoils.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from sequencer.bench.chopped import Chopping, joined
from sequencer.bench.heard import Contact, Edge, Glitch, LampHeard, heard
from sequencer.train import Pulse

if TYPE_CHECKING:
    from sequencer.bench.capture import Wave
    from sequencer.planner.request import PlanRequest

BOUNCE_S = 0.01
"""Changes nearer together than this are one edge that bounces. Relays bounce 1-5 ms (IEC 61810-1's terms; the figures
from memory); never more than half the shortest length of the plan counts."""
LONGEST_EDGE_S = 0.025
"""An edge that takes longer is none: nobody knows what a lamp made of it. A relay's bounce is over in 5 ms; a probe on
AC is blind for less than one cycle of 50 Hz, and a bounce more."""
MOST_TOLD = 20
"""Of one kind of fault no more than this are told."""
ROUGHLY = 0.1
"""A length off by no more than this part of the planned one is that one, when it is asked if the plan fits at all."""
UNDESCRIBED = "this plan does not say how its lamps read that; make it anew with this version"
SPIKE_S = 0.001
"""A change and back within this, away from any edge, is a spike on the probe: no contact moves so fast. Common
practice, no source."""
FOLLOWS_S = 0.5
"""A contact follows its command within this, or it was not that command."""


class Length(NamedTuple):
    """One planned length and what was captured of it; ``measured_s`` None where it is not in the capture."""

    break_no: int
    part: str
    planned_s: float
    measured_s: float | None
    whole: bool = True
    """False: a last supply of which only the beginning was captured, or that nothing ended."""

    @property
    def off_by_s(self) -> float | None:
        """How much longer it was than planned; a last supply may be longer."""
        if self.measured_s is None:
            return None
        return (
            min(0.0, self.measured_s - self.planned_s) if not self.whole else self.measured_s - self.planned_s
        )


class ContactJudgement(NamedTuple):
    """What a capture says of a plan. ``reasons``: why it is spoiled, a line each; empty when it is not."""

    closed_is: bool
    edges: tuple[Edge, ...]
    lengths: tuple[Length, ...]
    glitches: tuple[Glitch, ...]
    spikes: int
    reasons: tuple[str, ...]
    make_s: tuple[float, float] | None = None
    break_s: tuple[float, float] | None = None
    lamps: tuple[LampHeard, ...] = ()
    chopping: Chopping | None = None

    @property
    def spoiled(self) -> bool:
        """Whether some lamp may have read it otherwise than the plan meant."""
        return bool(self.reasons)

    @property
    def longer_s(self) -> float | None:
        """By how much breaks are longer than planned, on the mean: the error of the mean delays."""
        off = [each.off_by_s for each in self.lengths if each.part == "off" and each.off_by_s is not None]
        return sum(off) / len(off) if off else None


def judge_contact(
    wave: Wave,
    pulses: Sequence[Pulse],
    slack_s: float,
    command: Wave | None = None,
    request: PlanRequest | None = None,
    lead_in_s: float = 0.0,
) -> ContactJudgement:
    """Find the train in the capture, whichever level is closed, and hold the whole capture against the plan.

    ``slack_s`` is the plan's least: how much longer or shorter any length may be. It is what remains after the
    relay's own spread, so a length beyond it is not sure to have been misread; it is not sure to have been read.
    ``request`` says of which lamps the plan was made, and how they were found; None where the plan does not say:
    then the capture must hold the train with ``lead_in_s`` before it, and nothing else.
    """
    wave, chopping = joined(wave)
    shortest = min(min(p.off_s, p.on_s) for p in pulses)
    edges, glitches, spikes = settle(wave, min(BOUNCE_S, shortest / 2))
    best = None
    for closed_is in (True, False):
        for start in [i for i, edge in enumerate(edges) if edge.level != closed_is] or [len(edges)]:
            lengths = _lengths(edges[start:], pulses, wave.end_s)
            cost = _cost(lengths)
            if best is None or cost < best[0]:
                best = (cost, closed_is, start, lengths)
    assert best is not None
    _, closed_is, start, lengths = best
    last = start + 2 * len(pulses)
    train = edges[start:last]
    contact = Contact(
        wave.first == closed_is, closed_is, tuple(edges), tuple(glitches), wave.from_s, wave.end_s
    )
    lamps = () if request is None else heard(request, contact)
    reasons = []
    if words := _another_plan(edges, lengths, closed_is, slack_s):
        reasons.append(words)
    else:
        reasons += _reasons(lengths, wave, slack_s, 2 * len(pulses) - len(train))
    reasons += _moved(edges, glitches, closed_is)
    if request is None:
        others = _nothing_else(contact, start, last, lead_in_s - slack_s)
        reasons += others or ([] if reasons else _apart(train, pulses, slack_s))
    reasons += [each.why for each in lamps if each.why]
    found = ContactJudgement(
        closed_is,
        tuple(train),
        lengths,
        tuple(glitches),
        spikes,
        tuple(reasons),
        lamps=lamps,
        chopping=chopping,
    )
    return found if command is None else _with_delays(found, command)


def settle(wave: Wave, bounce_s: float) -> tuple[list[Edge], list[Glitch], int]:
    """Changes as edges, glitches between them, and a count of spikes; unknown stretches belong to either."""
    edges: list[Edge] = []
    glitches: list[Glitch] = []
    spikes = 0
    level = wave.first
    happened: list[tuple[float, float, bool | None]] = [(at, at, to) for at, to in wave.changes]
    happened += [(start, end, None) for start, end in wave.unsure]
    happened.sort(key=lambda each: each[0])
    group: list[tuple[float, float, bool | None]] = []
    until = 0.0
    for each in (*happened, (float("inf"), float("inf"), None)):
        if group and each[0] - until > bounce_s:
            first, unsure_s = group[0][0], _covered(group)
            to = next((to for _, _, to in sorted(group, key=lambda g: g[0])[::-1] if to is not None), level)
            changes = sum(to is not None for _, _, to in group)
            if to != level and to is not None:
                level = to
                edges.append(Edge(first, until, to, (changes - 1) // 2, unsure_s))
            elif until - first < SPIKE_S:
                spikes += 1
            else:
                glitches.append(Glitch(first, until - first, unknown=unsure_s > 0))
            group = []
        until = max(until, each[1]) if group else each[1]
        group.append(each)
    return edges, glitches, spikes


def _covered(group: Sequence[tuple[float, float, bool | None]]) -> float:
    """How much of a group of changes is unknown."""
    covered, until = 0.0, float("-inf")
    for start, end, to in group:
        if to is None and end > until:
            covered += end - max(start, until)
            until = end
    return covered


def _lengths(edges: Sequence[Edge], pulses: Sequence[Pulse], end_s: float) -> tuple[Length, ...]:
    found = []
    times = [edge.at_s for edge in edges]
    for k, pulse in enumerate(pulses):
        opened, closed, after = (times[i] if i < len(times) else None for i in (2 * k, 2 * k + 1, 2 * k + 2))
        off_s = None if opened is None or closed is None else closed - opened
        found.append(Length(k + 1, "off", pulse.off_s, off_s))
        last = k == len(pulses) - 1
        if closed is not None and last:  # nothing need end it; what was captured of it must not be too short
            until = end_s if after is None else after
            found.append(Length(k + 1, "on", pulse.on_s, until - closed, whole=False))
        else:
            on_s = None if closed is None or after is None else after - closed
            found.append(Length(k + 1, "on", pulse.on_s, on_s))
    return tuple(found)


def _cost(lengths: Sequence[Length]) -> tuple[int, float]:
    """How ill a stretch of the capture fits: lengths that are missing, then how far the others are off."""
    off = [each.off_by_s for each in lengths if each.part == "off" or each.whole]
    known = [abs(each) for each in off if each is not None]
    return len(off) - len(known), sum(known)


def _another_plan(
    edges: Sequence[Edge], lengths: Sequence[Length], closed_is: bool, slack_s: float
) -> str | None:
    """That the capture is of another train, where less than half of the lengths are there."""
    if not edges:
        return None
    asked = [each for each in lengths if each.part == "off" or each.whole]
    fits = [
        each
        for each in asked
        if each.off_by_s is not None and abs(each.off_by_s) <= max(slack_s, ROUGHLY * each.planned_s)
    ]
    if 2 * len(fits) >= len(asked):
        return None
    captured = sum(edge.level != closed_is for edge in edges)
    planned = sum(each.part == "off" for each in lengths)
    words = f"{captured} {'break' if captured == 1 else 'breaks'} captured, {planned} planned"
    return (
        f"this capture does not look like this plan: {words}, and of the {len(asked)} lengths of the best match"
        f" {len(fits)} fit. Is it the plan of the train that was sent?"
    )


def _reasons(lengths: Sequence[Length], wave: Wave, slack_s: float, missing: int) -> list[str]:
    reasons = []
    if missing:
        reasons.append(f"{missing} of the plan's {len(lengths)} edges are not in the capture")
    for each in lengths:
        by = each.off_by_s
        if by is None or abs(by) <= slack_s:
            continue
        part = "break" if each.part == "off" else "supply after break"
        if not each.whole:
            ended = "the capture ends" if _to_the_end(each, wave) else "the contact opens"
            reasons.append(f"{ended} {-by:.3f} s before {part} {each.break_no} is over")
            continue
        way = "longer" if by > 0 else "shorter"
        reasons.append(
            f"{part} {each.break_no} is {abs(by) * 1000:.1f} ms {way} than planned; slack is {slack_s * 1000:.1f} ms"
        )
    return reasons


def _moved(edges: Sequence[Edge], glitches: Sequence[Glitch], closed_is: bool) -> list[str]:
    """Where the contact moved unplanned, or nobody knows what it did, anywhere in the capture."""
    reasons = []
    for each in glitches:
        what = "the level was unknown (x or z)" if each.unknown else "the contact moved"
        ending = "" if each.unknown else ", unplanned"
        reasons.append(f"{what} for {each.length_s * 1000:.1f} ms at {each.at_s:.4f} s{ending}")
    for edge in edges:
        if edge.unsure_s > LONGEST_EDGE_S:
            words = f"the level was unknown (x or z) for {edge.unsure_s * 1000:.1f} ms"
            reasons.append(f"{words} at {edge.first_s:.4f} s")
        elif edge.bounce_s > LONGEST_EDGE_S:
            what = "closing" if edge.level == closed_is else "opening"
            words = f"the contact bounced for {edge.bounce_s * 1000:.1f} ms in {what} at {edge.first_s:.4f} s"
            reasons.append(f"{words}: no sound relay does")
    if len(reasons) > MOST_TOLD:
        reasons[MOST_TOLD:] = [f"and {len(reasons) - MOST_TOLD} times more"]
    if edges and edges[-1].level != closed_is:
        reasons.append(f"the contact is open from {edges[-1].at_s:.4f} s to the end of the capture")
    return reasons


def _nothing_else(contact: Contact, start: int, last: int, lead_in_s: float) -> list[str]:
    """What a plan that does not describe its lamps leaves in doubt; only its own train is proved by its slack."""
    edges = contact.edges
    train = edges[start:last]
    doubts = [(edge.at_s, "before") for edge in edges[:start] if edge.level != contact.closed_is]
    doubts += [(edge.at_s, "after") for edge in edges[last:] if edge.level != contact.closed_is]
    told = doubts[:MOST_TOLD]
    reasons = [f"the contact opens {when} the train, at {at:.4f} s: {UNDESCRIBED}" for at, when in told]
    if not train:
        return reasons
    if not contact.first_closed:
        reasons.append(f"the capture begins with the contact open: {UNDESCRIBED}")
    elif train[0].first_s - contact.from_s < lead_in_s:
        words = f"{train[0].first_s - contact.from_s:.3f} s of supply were captured before the train"
        reasons.append(f"{words}, and the plan wants {lead_in_s:.3f} s: begin the capture sooner")
    return reasons


def _apart(train: Sequence[Edge], pulses: Sequence[Pulse], slack_s: float) -> list[str]:
    """Edges that are off against each other by more than the slack, where each length by itself is not."""
    # Each edge may be off from its place in the plan; any two of them, by how much they differ.
    planned, at = [], 0.0
    for pulse in pulses:
        planned += [at, at + pulse.off_s]
        at += pulse.off_s + pulse.on_s
    early = [edge.at_s - edge.unsure_s - due for edge, due in zip(train, planned, strict=False)]
    late = [edge.at_s - due for edge, due in zip(train, planned, strict=False)]
    if train and max(late) - min(early) > slack_s + 1e-9:
        least, most = early.index(min(early)) + 1, late.index(max(late)) + 1
        words = f"edges {min(least, most)} and {max(least, most)} are off by"
        by = f"up to {(max(late) - min(early)) * 1000:.1f} ms against each other"
        if least == most:
            words, by = f"edge {least} is known to", f"{(max(late) - min(early)) * 1000:.1f} ms"
        return [f"{words} {by}; slack is {slack_s * 1000:.1f} ms: {UNDESCRIBED}"]
    return []


def _to_the_end(last: Length, wave: Wave) -> bool:
    closed = [at for at, _ in wave.changes]
    return bool(closed) and abs(closed[-1] + (last.measured_s or 0.0) - wave.end_s) < 1e-9


def _with_delays(found: ContactJudgement, command: Wave) -> ContactJudgement:
    """With the delays from each command to its edge: what ``make_s`` and ``break_s`` should hold at least."""
    times = [at for at, _ in command.changes]
    delays: dict[bool, list[float]] = {True: [], False: []}
    for edge in found.edges:
        moved_s = edge.at_s if edge.unsure_s else edge.first_s
        before = [at for at in times if at <= moved_s]
        if before and edge.at_s - before[-1] <= FOLLOWS_S:
            delays[edge.level == found.closed_is].append(edge.at_s - before[-1])
    make, parted = delays[True], delays[False]
    return found._replace(
        make_s=(min(make), max(make)) if make else None,
        break_s=(min(parted), max(parted)) if parted else None,
    )
