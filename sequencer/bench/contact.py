"""A real contact, as captured, against a plan: bounce, lengths, and whether an edge is spoiled.

An edge is where the contact comes to rest: closing counts until it is closed for good, opening until the current is
gone, bounce and arc included, as a relay's ``make_s`` and ``break_s`` are defined. Nothing is known here of when the
contact was commanded, unless that was captured too; so lengths are judged, and lengths are what lamps hear.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sequencer.bench.capture import Wave
from sequencer.train import Pulse

BOUNCE_S = 0.01
"""Changes nearer together than this are one edge that bounces. Relays bounce 1-5 ms (IEC 61810-1's terms; the figures
from memory); never more than half the shortest length of the plan counts."""
SPIKE_S = 0.001
"""A change and back within this, away from any edge, is a spike on the probe: no contact moves so fast. Common
practice, no source."""
FOLLOWS_S = 0.5
"""A contact follows its command within this, or it was not that command."""


class Edge(NamedTuple):
    """The contact came to another level: when it first moved, when it was at rest, and how often it came back."""

    first_s: float
    at_s: float
    level: bool
    bounces: int

    @property
    def bounce_s(self) -> float:
        """From the first contact to the last."""
        return self.at_s - self.first_s


class Glitch(NamedTuple):
    """The contact moved and came back where nothing was planned."""

    at_s: float
    length_s: float


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
    wave: Wave, pulses: Sequence[Pulse], slack_s: float, command: Wave | None = None
) -> ContactJudgement:
    """Find the train in the capture, whichever level is closed, and hold it against the plan.

    ``slack_s`` is the plan's least: how much longer or shorter any length may be. It is what remains after the
    relay's own spread, so a length beyond it is not sure to have been misread; it is not sure to have been read.
    """
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
    train = edges[start : start + 2 * len(pulses)]
    span = (train[0].first_s, train[-1].at_s) if train else (0.0, wave.end_s)
    within = tuple(glitch for glitch in glitches if span[0] <= glitch.at_s <= span[1])
    reasons = tuple(_reasons(lengths, within, wave, slack_s, 2 * len(pulses) - len(train)))
    found = ContactJudgement(closed_is, tuple(train), lengths, within, spikes, reasons)
    return found if command is None else _with_delays(found, command)


def settle(wave: Wave, bounce_s: float) -> tuple[list[Edge], list[Glitch], int]:
    """Changes as edges, glitches between them, and a count of spikes."""
    edges: list[Edge] = []
    glitches: list[Glitch] = []
    spikes = 0
    level = wave.first
    group: list[tuple[float, bool]] = []
    for change in (*wave.changes, (float("inf"), False)):
        if group and change[0] - group[-1][0] > bounce_s:
            if group[-1][1] != level:
                level = group[-1][1]
                edges.append(Edge(group[0][0], group[-1][0], level, (len(group) - 1) // 2))
            elif group[-1][0] - group[0][0] < SPIKE_S:
                spikes += 1
            else:
                glitches.append(Glitch(group[0][0], group[-1][0] - group[0][0]))
            group = []
        group.append(change)
    return edges, glitches, spikes


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


def _reasons(
    lengths: Sequence[Length], glitches: Sequence[Glitch], wave: Wave, slack_s: float, missing: int
) -> list[str]:
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
    reasons += [
        f"the contact moved for {g.length_s * 1000:.1f} ms at {g.at_s:.4f} s, unplanned" for g in glitches
    ]
    if wave.unknown > 1:
        reasons.append(f"the level was unknown (x or z) {wave.unknown} times")
    return reasons


def _to_the_end(last: Length, wave: Wave) -> bool:
    closed = [at for at, _ in wave.changes]
    return bool(closed) and abs(closed[-1] + (last.measured_s or 0.0) - wave.end_s) < 1e-9


def _with_delays(found: ContactJudgement, command: Wave) -> ContactJudgement:
    """With the delays from each command to its edge: what ``make_s`` and ``break_s`` should hold at least."""
    times = [at for at, _ in command.changes]
    delays: dict[bool, list[float]] = {True: [], False: []}
    for edge in found.edges:
        before = [at for at in times if at <= edge.first_s]
        if before and edge.at_s - before[-1] <= FOLLOWS_S:
            delays[edge.level == found.closed_is].append(edge.at_s - before[-1])
    make, parted = delays[True], delays[False]
    return found._replace(
        make_s=(min(make), max(make)) if make else None,
        break_s=(min(parted), max(parted)) if parted else None,
    )
