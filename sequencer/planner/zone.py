"""Which times are still possible between the edges that some lamp's clock counts from.

A zone is a difference bound matrix (Dill 1989; Bengtsson and Yi 2004, from memory): entry ``i, j`` is the
least by which point ``i`` comes after point ``j``, in whole nanoseconds, closed under addition, so that
every entry is the tightest that follows from the others. Points are

====  ==========================================================
0     the start of the train (the first opening)
1     the latest opening
2     the latest closing
3...  older closings from which some lamp's supply clock counts
====  ==========================================================

No train is ever bounded from above against its start, so column 0 is simply the earliest time of each
point, and the earliest times can all be had at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from operator import ge

from sequencer.units import FOREVER_NS

Zone = tuple[tuple[int, ...], ...]

START, OPENED, CLOSED, OLDER = 0, 1, 2, 3
FREE = -FOREVER_NS
"""No least difference."""
_BOUND = FREE // 2  # what lies below is FREE with something added

AT_REST: Zone = ((0, FREE, FREE), (FREE, 0, FREE), (FREE, FREE, 0))
"""Before the first break: nothing has been, so nothing binds."""


def advance(
    zone: Zone,
    after: Sequence[tuple[int, int]],
    before: Sequence[tuple[int, int]],
    off: tuple[int, int],
    keep: Sequence[int],
) -> Zone:
    """The zone at the closing of one more break, with the points ``keep`` of the old one left in it.

    The opening comes at least ``after`` and at most ``before`` each named point; the break lasts ``off``
    (least, most). The bounds must be known to be possible together.
    """
    least, most = off
    old = (START, *keep)
    opening = []
    for j in old:
        x = max([needs + zone[p][j] for p, needs in after])
        opening.append(x if x > _BOUND else FREE)
    rows = []
    for i in old:
        row = zone[i]
        up = max([row[p] - limit for p, limit in before], default=FREE)
        if up > _BOUND:
            tight = [max(row[j], up + x) for j, x in zip(old, opening, strict=True)]
            rows.append((tight[0], up, up - most, *tight[1:]))
        else:
            rows.append((row[START], FREE, FREE, *[row[j] for j in keep]))
    closing = [least + x if x > _BOUND else FREE for x in opening]
    return (
        rows[0],
        (opening[0], 0, -most, *opening[1:]),
        (closing[0], least, 0, *closing[1:]),
        *rows[1:],
    )


def without(zone: Zone, points: Sequence[int]) -> Zone:
    """The zone with only ``points`` left in it, in that order."""
    return tuple(tuple([row[p] for p in points]) for row in [zone[p] for p in points])


def within(inner: Zone, outer: Zone) -> bool:
    """Whether everything possible in ``inner`` is possible in ``outer``, and no later there."""
    return all(map(ge, chain.from_iterable(inner), chain.from_iterable(outer)))
