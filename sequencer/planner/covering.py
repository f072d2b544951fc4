"""Which nodes of a joint search need not be looked at, because an earlier one serves as well.

A node covers another when, for every type, its belief is the same and its zone contains the other's: all
that can follow the other can follow it, no later. And a type that the other node has lost (nothing known
that a settling or reset would not make known anyway, and counted from the latest break) is covered by
*any* belief: from there on, whatever brings the lost type back brings back every state it may be in.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from sequencer.planner.belief import LampType
from sequencer.planner.zone import CLOSED, OPENED, START, Zone, within, without

_ANY_BELIEF = -1
_LOST_AT_ONCE = 3  # types; a node with more lost ones is compared with its like only

Key = tuple[tuple[int, ...], tuple[tuple[int, ...], ...]]


class Admitted:
    """The nodes admitted so far, by their beliefs with each choice of types left out."""

    def __init__(self, types: Sequence[LampType]) -> None:
        self._types = types
        everyone = range(len(types))
        most = min(len(types), _LOST_AT_ONCE)
        self._left_out = [out for n in range(most + 1) for out in combinations(everyone, n)]
        self._nodes: dict[Key, list[tuple[Zone, int]]] = {}

    def lost(self, beliefs: Sequence[int], refs: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
        """The types that any belief covers."""
        lost = [
            i
            for i, (lamp, belief) in enumerate(zip(self._types, beliefs, strict=True))
            if refs[i] in ((), (CLOSED,)) and lamp.lost(belief)
        ]
        return tuple(lost) if len(lost) <= _LOST_AT_ONCE else ()

    def like(
        self, beliefs: Sequence[int], refs: Sequence[tuple[int, ...]], zone: Zone
    ) -> tuple[list[tuple[Zone, int]], Zone]:
        """The admitted nodes (zone and breaks) that may cover this one, and its zone as comparable."""
        key, share = _seen_without(self.lost(beliefs, refs), beliefs, refs, zone)
        return self._nodes.get(key, []), share

    def covered(
        self, beliefs: Sequence[int], refs: Sequence[tuple[int, ...]], zone: Zone, breaks: int
    ) -> bool:
        """Whether an admitted node serves as well as this one, with no more breaks."""
        nodes, share = self.like(beliefs, refs, zone)
        return any(its_breaks <= breaks and within(share, other) for other, its_breaks in nodes)

    def add(self, beliefs: Sequence[int], refs: Sequence[tuple[int, ...]], zone: Zone, breaks: int) -> None:
        """Take a node in; nodes it covers are forgotten."""
        for out in self._left_out:
            key, share = _seen_without(out, beliefs, refs, zone)
            nodes = self._nodes.get(key)
            if nodes is None:
                self._nodes[key] = [(share, breaks)]
            elif not out or not any(b <= breaks and within(share, other) for other, b in nodes):
                nodes[:] = [(o, b) for o, b in nodes if b < breaks or not within(o, share)]
                nodes.append((share, breaks))


def _seen_without(
    out: tuple[int, ...], beliefs: Sequence[int], refs: Sequence[tuple[int, ...]], zone: Zone
) -> tuple[Key, Zone]:
    if not out:
        return (tuple(beliefs), tuple(refs)), zone
    kept_refs = [() if i in out else points for i, points in enumerate(refs)]
    used = sorted({p for points in kept_refs for p in points if p > CLOSED})
    if len(used) < len(zone) - CLOSED - 1:
        points_left = [START, OPENED, CLOSED, *used]
        zone = without(zone, points_left)
        place = {p: i for i, p in enumerate(points_left)}
        kept_refs = [tuple([place[p] for p in points]) for points in kept_refs]
    kept = tuple([_ANY_BELIEF if i in out else belief for i, belief in enumerate(beliefs)])
    return (kept, tuple(kept_refs)), zone
