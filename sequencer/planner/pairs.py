"""What a search for two of the types has learnt, as a bound for the search for all of them.

When the search for a pair has ended with least total ``C``, every node it admitted, reached earliest at
``E``, needs at least ``C - E`` more (the update of adaptive A*; Koenig and Likhachev 2005, from memory). A
node of the larger search for whose share of that pair such a node would serve, but for being later by ``L``,
needs as much: no train through it can end before ``C + L``.
"""

from __future__ import annotations

from sequencer.planner.covering import Admitted, Moment


class PairBound:
    """The bound that one pair's finished search gives; ``members`` are its types' places in the fleet."""

    def __init__(self, members: tuple[int, int], least_total_ns: int, admitted: Admitted) -> None:
        self._members = members
        self._total = least_total_ns
        self._admitted = admitted

    def promise(self, node: Moment, least: int) -> int:
        """Least total (ns) of any train through this node, or ``least`` where the pair knows of no more."""
        a, b = self._members
        beliefs, refs = node.beliefs, node.refs
        share = Moment((beliefs[a], beliefs[b]), (refs[a], refs[b]), node.zone, node.breaks)
        return self._total + self._admitted.later(share, least - self._total)
