"""The timing loop: each edge at an absolute deadline, and the relay to rest at the end of all ways.

=======================================  ===============================  =============
what happens                             outcome                          afterwards
=======================================  ===============================  =============
all edges, and the last supply time      ``finished``                     relay to rest
an edge is later than its bound          ``overdue``                      relay to rest
the clock raises :class:`BrokenOff`      ``broken off``                   relay to rest
the clock raises :class:`EndWhenLit`     ``broken off``, after the break  relay to rest
anything else is raised                  ``failed``                       relay to rest
rest cannot be commanded                 ``failed``, ``rested_s`` None    detail says so
=======================================  ===============================  =============

Nothing here adds one wait to another: every deadline is counted from the start, so no edge inherits
the lateness of the one before. A process that was stopped across edges must not play them all at once when it goes
on: that would flash faster than the limit. So the first edge that comes later than its bound ends the train, which is
spoiled by it anyway: an opening is then left out, a closing is given at once.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sequencer.train import Delays, Edge, EdgeLog, Outcome, Stamp

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sequencer.clock import Clock
    from sequencer.relay import Relay

HEADROOM_S = 2.0**-9
"""About 2 ms before the first command, so that it is not late for what the player does at the start."""


class BrokenOff(Exception):  # noqa: N818 - no error: somebody wants the train to end here
    """Raised by a clock in a wait, and nowhere else: the train is to end now. Says who wants it."""


class EndWhenLit(BrokenOff):
    """The train is to end, but not in a break: that is first played to its end."""


class Overdue(Exception):  # noqa: N818 - no error: the train ends here
    """An edge came later than its bound."""


def play_edges(
    edges: Sequence[Edge],
    delays: Delays,
    relay: Relay,
    clock: Clock,
    *,
    until_s: float = 0.0,
    tolerance_s: Sequence[float] = (),
    on_start: Callable[[float], None] | None = None,
) -> EdgeLog:
    """Switch ``relay`` at ``edges`` and close it, whatever happens.

    The contact is told to close first (a normally closed one at rest is), so that the lead-in has supply;
    that is no edge of the train and not in the log. Then the train's zero is set, near enough in the
    future for the contact to follow, and every command is due its mean delay before its edge.

    :param until_s: hold the contact until then, seconds from the zero: the end of a train's last supply
        time, which a relay that rests open would cut short.
    :param tolerance_s: how late each edge may be commanded; none: however late.
    :param on_start: called once with the zero on ``clock``, before the first edge.
    :returns: every edge whose command was carried out; times from the zero, in whole nanoseconds. An edge
        whose command failed is not in it, and may have moved the contact or not: the detail names it.
    """
    stamps: list[Stamp] = []
    start = clock.now()
    outcome: Outcome = "finished"
    detail = ""
    try:
        if edges:
            relay.set(True)
        start = clock.now() + max(delays.mean_make_s, delays.mean_break_s) + HEADROOM_S
        if on_start is not None:
            on_start(start)
        for number, edge in enumerate(edges):
            bound_s = tolerance_s[number] if tolerance_s else math.inf
            command_due_s = edge.due_s - (delays.mean_make_s if edge.closed else delays.mean_break_s)
            ending = _wait(clock, start + command_due_s, in_break=edge.closed)
            commanded_s = round(clock.now() - start, 9)
            if commanded_s - command_due_s > bound_s and not edge.closed:
                raise Overdue(_late(number, commanded_s - command_due_s))
            relay.set(edge.closed)
            confirmed_s = round(clock.now() - start, 9)
            commanded_s = round(commanded_s + relay.waited_s, 9)
            stamps.append(Stamp(edge.due_s, command_due_s, commanded_s, edge.closed, confirmed_s))
            late_s = max(commanded_s, confirmed_s - relay.set_takes_s) - command_due_s
            if late_s > bound_s:
                raise Overdue(_late(number, late_s))
            if ending is not None:
                raise ending
        clock.sleep_until(start + until_s)
    except BrokenOff as reason:
        outcome, detail = "broken off", f"{reason} after {len(stamps)} of {len(edges)} edges"
    except Overdue as late:
        outcome, detail = "overdue", f"{late}; after {len(stamps)} of {len(edges)} edges"
    except Exception as error:
        outcome, detail = "failed", f"{_said(error)} after {len(stamps)} of {len(edges)} edges"
    except BaseException:
        relay.close()
        raise
    rested_s: float | None = round(clock.now() - start, 9)
    try:
        relay.close()
    except Exception as error:
        outcome, rested_s = "failed", None
        detail = "; ".join(filter(None, (detail, _said(error))))
    return EdgeLog(tuple(stamps), outcome, detail, rested_s, relay.rests_closed, relay.set_takes_s)


def _wait(clock: Clock, deadline: float, *, in_break: bool) -> EndWhenLit | None:
    """Wait; the wish to end when lit, if it came in a break, which is then waited out."""
    try:
        clock.sleep_until(deadline)
    except EndWhenLit as wish:
        if not in_break:
            raise
        clock.sleep_until(deadline)
        return wish
    return None


def edges_beyond(log: EdgeLog, tolerance_s: Sequence[float]) -> tuple[int, ...]:
    """The edges, counted from 1, that may have been commanded further from their due time than their bound.

    An opening that was left out for being overdue is one.

    >>> log = EdgeLog((Stamp(1.0, 0.9, 0.95, False), Stamp(2.0, 1.9, 1.9, True)), "finished")
    >>> edges_beyond(log, (0.03, 0.03))
    (1,)

    A process that was stopped after it took the time and before it gave the command shows by the confirmation:

    >>> edges_beyond(EdgeLog((Stamp(1.0, 0.9, 0.9, False, confirmed_s=3.0),), "finished"), (0.03,))
    (1,)
    """
    beyond = tuple(
        number
        for number, (stamp, bound) in enumerate(zip(log.stamps, tolerance_s, strict=False), start=1)
        if max(-stamp.late_s, stamp.late_s + log.held_up_s(stamp)) > bound
    )
    left_out = log.outcome == "overdue" and not beyond
    return (len(log.stamps) + 1,) if left_out else beyond


def _late(number: int, late_s: float) -> str:
    return f"edge {number + 1} came {late_s * 1000:.0f} ms late"


def _said(error: Exception) -> str:
    return str(error) or type(error).__name__
