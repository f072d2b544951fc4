"""Which nodes of a joint search need not be looked at, because an earlier one serves as well.

A node serves for another when every train that finishes the other finishes it too, no later:

* Of each type, its lamps can be in nothing but what the other's may be in (:meth:`LampType.serves`).
* A supply clock is only ever too young, so its own may be older; but while a count that is known is pending,
  a clock may also be too old, and must be the same. The flash limit and the least supply between two breaks
  are only ever not yet over, so its latest edges may be earlier. (A simulation by lower and upper bounds, as
  of timed automata; Behrmann, Bouyer, Larsen and Pelanek 2006, from memory.)

So the node before a break that no type was sure to notice serves for the one after it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from sequencer.planner.belief import LampType
from sequencer.planner.zone import CLOSED, OLDER, OPENED, START, Zone


class Moment(NamedTuple):
    """A node as far as others are compared with it: by type a belief, and by age the points it counts from.

    ``heard``: every type may have noticed its break, and so the supply after it must be longer.
    """

    beliefs: Sequence[int]
    refs: Sequence[tuple[int, ...]]
    zone: Zone
    breaks: int
    heard: bool = False


class Made:
    """Nodes as they are made, before they have a zone: most are no more than what was made before."""

    def __init__(self, cycle_ns: int, contact_ns: int) -> None:
        self._enough = contact_ns - cycle_ns
        self._known: dict[object, list[tuple[int, int, int, int]]] = {}

    def is_new(self, place: object, opened: int, closed: int, most: int, breaks: int) -> bool:
        """Whether a node that counts from no older closing is more than one made before.

        ``place`` stands for its beliefs; its opening and closing (ns, earliest), how long its break may be, the
        breaks before it.
        """
        opened = max(opened, closed + self._enough)
        longest = max(-most, self._enough)
        known = self._known.get(place)
        if known is None:
            known = self._known[place] = []
        for its_opened, its_closed, its_longest, its_breaks in known:
            if (
                its_closed <= closed
                and its_opened <= opened
                and its_longest <= longest
                and its_breaks <= breaks
            ):
                return False
        known.append((opened, closed, longest, breaks))
        return True


class Admitted:
    """The nodes admitted so far. Sets of them are whole numbers with one bit a node."""

    def __init__(self, types: Sequence[LampType], cycle_ns: int, contact_ns: int) -> None:
        self._types = types
        self._enough = contact_ns - cycle_ns  # from the latest closing: an opening before is past its cycle
        self._nodes: list[Moment] = []
        # By type and belief: the nodes that have it, those whose belief serves for it, and what it serves for.
        self._having: list[dict[int, int]] = [{} for _ in types]
        self._serving: list[dict[int, int]] = [{} for _ in types]
        self._served: list[dict[int, list[int]]] = [{} for _ in types]

    def add(self, node: Moment) -> None:
        """Take a node in."""
        bit = 1 << len(self._nodes)
        self._nodes.append(node)
        for i, belief in enumerate(node.beliefs):
            having, serving = self._having[i], self._serving[i]
            if belief not in having:
                serves = self._types[i].serves
                self._served[i][belief] = [other for other in serving if serves(belief, other) is not None]
            having[belief] = having.get(belief, 0) | bit
            for other in self._served[i][belief]:
                serving[other] |= bit

    def covered(self, node: Moment) -> bool:
        """Whether an admitted node serves for this one, with no more breaks."""
        closed = node.zone[CLOSED][START]
        for other in self._by_belief(node.beliefs):
            if other.breaks <= node.breaks and other.zone[CLOSED][START] <= closed:
                later = self._later(node, other)
                if later is not None and later >= 0:
                    return True
        return False

    def later(self, node: Moment, least: int) -> int:
        """The most by which this node is later (ns) than one that would else serve for it, or ``least``."""
        closed = node.zone[CLOSED][START]
        for other in self._by_belief(node.beliefs):
            if closed - other.zone[CLOSED][START] > least:
                later = self._later(node, other)
                if later is not None and later > least:
                    least = later
        return least

    def _by_belief(self, beliefs: Sequence[int]) -> Iterator[Moment]:
        """The nodes whose beliefs would serve for these."""
        left = -1
        for i, belief in enumerate(beliefs):
            serving = self._serving[i].get(belief)
            if serving is None:
                serving = 0
                for other, nodes in self._having[i].items():
                    if self._types[i].serves(other, belief) is not None:
                        serving |= nodes
                        self._served[i][other].append(belief)
                self._serving[i][belief] = serving
            left &= serving
        while left:
            lowest = left & -left
            left ^= lowest
            yield self._nodes[lowest.bit_length() - 1]

    def _later(self, node: Moment, other: Moment) -> int | None:
        """How much later (ns) a node is than ``other``, whose beliefs serve for it; None if its clocks do not."""
        if other.heard and not node.heard:
            return None
        zone, its_zone, enough = node.zone, other.zone, self._enough
        if len(zone) == len(its_zone) == OLDER:  # of both, all count from the latest closing
            opened, since = zone[OPENED][START], zone[OPENED][CLOSED]
            closed, longest = zone[CLOSED][START], its_zone[OPENED][CLOSED]
            if longest <= enough or longest <= since:
                soonest = closed + enough
                by = (opened if opened > soonest else soonest) - its_zone[OPENED][START]
                later = closed - its_zone[CLOSED][START]
                return by if by < later else later
        older = {
            OPENED: OPENED,
            CLOSED: CLOSED,
        }  # by point of other's: the node's that it is to be no later than
        alike: dict[int, int] = {}  # and that it is to be just at
        for lamp, belief, points, its_belief, its_points in zip(
            self._types, node.beliefs, node.refs, other.beliefs, other.refs, strict=True
        ):
            for age, its_age, is_alike in lamp.serves(its_belief, belief) or ():
                point, its_point = points[age], its_points[its_age]
                if is_alike:
                    if alike.setdefault(its_point, point) != point:
                        return None
                elif point > older.get(its_point, CLOSED):  # of a zone's points the newest come first
                    older[its_point] = point
        for its_point, point in alike.items():
            if older.get(its_point, CLOSED) > point:
                return None
            older[its_point] = point
        return self._lateness(node.zone, other.zone, older, alike)

    def _lateness(
        self, zone: Zone, its_zone: Zone, older: Mapping[int, int], alike: Mapping[int, int]
    ) -> int | None:
        """The same where the points of the other zone are to be at (``alike``) or no later than these."""
        opened, closed = zone[OPENED], zone[CLOSED]
        enough = self._enough
        for its_column, column in alike.items():
            for its_row, row in older.items():
                least = zone[row][column]
                if its_row == OPENED and least < closed[column] + enough:
                    least = closed[column] + enough
                if its_row != its_column and least < its_zone[its_row][its_column]:
                    return None
        later = max(opened[START], closed[START] + enough) - its_zone[OPENED][START]
        for its_row, row in older.items():
            by = zone[row][START] - its_zone[its_row][START]
            if by < later and its_row != OPENED:
                later = by
        return later
