"""What a search for two of the types has learnt, as a bound for the search for all of them.

When the search for a pair has ended with least total ``C``, every node it admitted, reached earliest at
``E``, needs at least ``C - E`` more (the update of adaptive A*; Koenig and Likhachev 2005, from memory). A
node of the larger search whose share of that pair has the same beliefs, and times that lie within that
node's, needs as much: no train through it can end before ``C`` plus the least by which one of its edges is
later than that node's.
"""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.planner.covering import Admitted
from sequencer.planner.zone import CLOSED, OPENED, START, Zone, without


class PairBound:
    """The bound that one pair's finished search gives; ``members`` are its types' places in the fleet."""

    def __init__(self, members: tuple[int, int], least_total_ns: int, admitted: Admitted) -> None:
        self._members = members
        self._total = least_total_ns
        self._admitted = admitted

    def promise(self, beliefs: Sequence[int], refs: Sequence[tuple[int, ...]], zone: Zone) -> int:
        """Least total (ns) of any train through this node, or 0 where the pair's search never was."""
        a, b = self._members
        used = sorted({p for points in (refs[a], refs[b]) for p in points if p > CLOSED})
        points = [START, OPENED, CLOSED, *used]
        place = {p: i for i, p in enumerate(points)}
        pair_refs = [tuple([place[p] for p in refs[i]]) for i in self._members]
        nodes, share = self._admitted.like((beliefs[a], beliefs[b]), pair_refs, without(zone, points))
        best = 0
        for other, _ in nodes:
            if _same_times_possible(share, other):
                later = min(
                    [mine[START] - its[START] for mine, its in zip(share[1:], other[1:], strict=True)]
                )
                best = max(best, self._total + later)
        return best


def _same_times_possible(inner: Zone, outer: Zone) -> bool:
    """Whether the differences between edges (not their distance from the start) lie within ``outer``."""
    for row, wider in zip(inner[1:], outer[1:], strict=True):
        for a, b in zip(row[1:], wider[1:], strict=True):
            if a < b:
                return False
    return True
