"""Best-first search, plain and exact, over anything that has nodes.

A node's ``promise`` is a bound that no finish reached through it can beat (A*: cost so far plus an
admissible estimate of the rest; Hart, Nilsson and Raphael 1968, from memory). Nodes are popped in order of
promise, so the first finished node that is popped is an optimum, whether or not the bound is consistent,
as long as ``admit`` drops only nodes that an admitted one serves at least as well.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

Promise = tuple[int, ...]
"""Whole numbers compared in order; for trains total time (ns), relay cycles, and time in the dark (ns)."""


class Node(Protocol):
    """What the search needs to see of a node."""

    @property
    def promise(self) -> Promise:
        """What no finish from here on can beat."""

    @property
    def finished(self) -> bool:
        """Whether the search ends with it."""


N = TypeVar("N", bound=Node)


class Problem(Protocol[N]):
    """Where to start, what follows, and what need not be looked at again."""

    def roots(self) -> Iterable[N]:
        """Where to start."""

    def admit(self, node: N) -> N | None:
        """Called when a node is popped: the node to go on with, or None when it is covered.

        May return a node with a greater promise than the one popped; it is then put back.
        """

    def successors(self, node: N) -> Iterable[N]:
        """What follows a node that was admitted."""


@dataclass(frozen=True, slots=True)
class Result(Generic[N]):
    """``best`` is the optimum or None; with ``complete`` False the budget ended first.

    ``bound`` is then what no finish can beat; ``expanded`` counts nodes whose successors were made.
    """

    best: N | None
    complete: bool
    expanded: int
    bound: Promise


def best_first(problem: Problem[N], budget: int) -> Result[N]:
    """Search until the first finish, the end of all nodes, or ``budget`` expanded nodes."""
    heap: list[tuple[Promise, int, N]] = []
    tick = 0
    for node in problem.roots():
        tick -= 1
        heapq.heappush(heap, (node.promise, tick, node))
    expanded = 0
    while heap:
        promise, _, node = heapq.heappop(heap)
        if node.finished:
            return Result(node, complete=True, expanded=expanded, bound=promise)
        admitted = problem.admit(node)
        if admitted is None:
            continue
        if admitted.promise > promise:
            tick -= 1
            heapq.heappush(heap, (admitted.promise, tick, admitted))
            continue
        if expanded >= budget:
            return Result(None, complete=False, expanded=expanded, bound=promise)
        expanded += 1
        for child in problem.successors(admitted):
            tick -= 1  # of equal promises the newest first: deeper nodes are nearer to a finish
            heapq.heappush(heap, (child.promise, tick, child))
    return Result(None, complete=True, expanded=expanded, bound=())
