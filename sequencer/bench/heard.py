"""What each lamp made of all that the contact did in a capture, followed through the lamp's own automaton.

The lamps are found as the plan found them; every break of the capture counts, before the train and after it. An edge
whose moment is only known within bounds stands at their middle, and every window keeps off by the widest bounds. Where
nobody knows what the contact did (an unknown level, a glitch that some lamp may notice), nothing is known of the
lamps either, until they have had supply for a whole lead-in: then they are settled, each on any of its scenes.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from sequencer.automaton.behaviour import Behaviour, behaviour
from sequencer.planner.plan import lead_in_s
from sequencer.planner.proof import Break, Walk, starting_states
from sequencer.planner.request import LampRequest, PlanRequest
from sequencer.tomlfile import quoted
from sequencer.train import Delays
from sequencer.units import NS_PER_S, at_least_ns

WIDEST_S = 0.025
"""An edge that took longer than this is no edge: what the contact did in it is unknown."""
MOST_BREAKS = 5_000
"""With more breaks than this in one capture nothing is followed: that is no train."""
EXACT = Delays((0.0, 0.0), (0.0, 0.0))


class Edge(NamedTuple):
    """The contact came to another level: when it first moved, when it was at rest, and how often it came back.

    For ``unsure_s`` of that time its level was unknown.
    """

    first_s: float
    at_s: float
    level: bool
    bounces: int
    unsure_s: float = 0.0

    @property
    def bounce_s(self) -> float:
        """From the first contact to the last."""
        return max(0.0, self.at_s - self.first_s - self.unsure_s)


class Glitch(NamedTuple):
    """The contact moved and came back where nothing was planned; ``unknown``: or nobody knows whether it did."""

    at_s: float
    length_s: float
    unknown: bool = False


class Contact(NamedTuple):
    """A whole capture: how it begins, every edge, every glitch, from when and until when (s)."""

    first_closed: bool
    closed_is: bool
    edges: tuple[Edge, ...]
    glitches: tuple[Glitch, ...]
    from_s: float
    end_s: float


class LampHeard(NamedTuple):
    """Which scenes, by name, a lamp may be on at the capture's end; certain when it is on the wanted one for sure.

    ``why`` says what is wrong, None when it is certain.
    """

    lamp: str
    stem: str
    wanted: str
    may_show: tuple[str, ...]
    certain: bool
    why: str | None


class _Heard(NamedTuple):
    """The capture as the lamps heard it, in ns: breaks from ``known`` on are followed, what was before is not."""

    breaks: tuple[Break, ...]
    end: int
    known: bool
    """False: a stretch in doubt came before these breaks, and a whole lead-in after it."""
    lost: bool
    """Nothing is known: no whole lead-in came after the last stretch in doubt."""


def heard(request: PlanRequest, contact: Contact) -> tuple[LampHeard, ...]:
    """What each lamp of the plan may be on at the end of the capture."""
    widths = [edge.at_s - edge.first_s for edge in contact.edges]
    pad_s = max([0.0, *(width for width in widths if width <= WIDEST_S)])
    exact = request._replace(delays=EXACT, margin_s=pad_s)
    acts = {lamp.lamp: behaviour(lamp.datasheet, pad_s) for lamp in request.lamps}
    found = _as_heard(exact, contact, list(acts.values()))
    return tuple(_lamp(exact, lamp, acts[lamp.lamp], found, contact) for lamp in request.lamps)


def _lamp(
    request: PlanRequest, lamp: LampRequest, acts: Behaviour, found: _Heard, contact: Contact
) -> LampHeard:
    names = {scene.code: scene.name for scene in lamp.datasheet.scenes}
    wanted = names[lamp.wanted]
    pending = False
    if found.lost:
        codes = set(acts.codes)
    else:
        states = (
            starting_states(acts, request, lamp.known)
            if found.known
            else {acts.rest(code) for code in acts.codes}
        )
        walk = Walk(acts, states, at_least_ns(request.pad_s), 0)
        final = walk.over(found.breaks, found.end)
        codes = {code for state in final for code in ((state.scene,) if state.scene else acts.codes)}
        pending = any(state.pending for state in final)
    shows = tuple(names[code] for code in sorted(codes))
    dark = bool(contact.edges) and contact.edges[-1].level != contact.closed_is
    certain = not found.lost and not dark and not pending and codes == {lamp.wanted}
    return LampHeard(
        lamp.lamp, lamp.stem, wanted, shows, certain, None if certain else _why(lamp, wanted, shows, pending)
    )


def _why(lamp: LampRequest, wanted: str, shows: tuple[str, ...], pending: bool) -> str:
    if pending:
        return f"{lamp.lamp} may still be counting when the capture ends"
    if len(shows) == 1 and shows[0] != wanted:
        return f"{lamp.lamp} ends on {quoted(shows[0])}, not on {quoted(wanted)}"
    if shows == (wanted,):
        return f"{lamp.lamp} is dark when the capture ends"
    some = (
        "any of its scenes" if len(shows) == len(lamp.datasheet.scenes) else " or ".join(map(quoted, shows))
    )
    return f"{lamp.lamp} may end on {some}, not for certain on {quoted(wanted)}"


def _as_heard(request: PlanRequest, contact: Contact, acts: list[Behaviour]) -> _Heard:
    """Breaks as they were heard, and from where on anything is known."""

    def ns(at_s: float) -> int:
        return round((at_s - contact.from_s) * NS_PER_S)

    moments = [
        (ns((edge.first_s + edge.at_s) / 2), edge.level == contact.closed_is) for edge in contact.edges
    ]
    end = ns(contact.end_s)
    if max(len(contact.edges), len(contact.glitches)) > 2 * MOST_BREAKS:
        return _Heard((), end, known=False, lost=True)
    opened_first = not contact.first_closed
    doubtful = [(ns(e.first_s), ns(e.at_s)) for e in contact.edges if e.at_s - e.first_s > WIDEST_S]
    for glitch in contact.glitches:
        start, stop = ns(glitch.at_s), ns(glitch.at_s + glitch.length_s)
        closed = _closed_at(moments, start, first=contact.first_closed)
        longest = stop - start + at_least_ns(request.pad_s)
        if not closed or any(each.effects(longest) != ("ignored",) for each in acts):
            doubtful.append((start, stop))
    lead_in = at_least_ns(lead_in_s(request))
    supplied_at = moments[0][0] if opened_first and moments else 0
    soon = next((at for at, closed in moments if not closed), end) - supplied_at < lead_in
    if (opened_first and request.start != "dark") or (request.start == "dark" and soon):
        doubtful.append((0, supplied_at))
    if request.start == "cut":
        doubtful.append((0, 0))
    breaks = [Break(at, then) for (at, closed), (then, _) in pairwise([*moments, (end, True)]) if not closed]
    if not doubtful:
        return _Heard(tuple(breaks), end, known=True, lost=False)
    return _after(max(stop for _, stop in doubtful), breaks, end, request)


def _after(doubt: int, breaks: list[Break], end: int, request: PlanRequest) -> _Heard:
    """What is known after the last stretch in doubt: nothing, until a whole lead-in of supply has followed."""
    lead_in = at_least_ns(lead_in_s(request._replace(start="cut")))
    supplied_at = doubt
    for place, each in enumerate(breaks):
        if each.closed <= doubt:
            continue
        if each.opened > doubt and each.opened - supplied_at >= lead_in:
            return _Heard(tuple(breaks[place:]), end, known=False, lost=False)
        supplied_at = max(each.closed, doubt)
    return _Heard((), end, known=False, lost=end - supplied_at < lead_in)


def _closed_at(moments: list[tuple[int, bool]], at: int, *, first: bool) -> bool:
    closed = first
    for moment, to in moments:
        if moment > at:
            break
        closed = to
    return closed
