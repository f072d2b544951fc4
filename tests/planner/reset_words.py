"""Shortest reset words of finite automata, as a problem for the planner's search core.

An automaton is for each letter where it takes each state. A word resets it when it takes every state to
one and the same. A node is the set of states one may be in after some word; its promise is a length.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from sequencer.planner.search import Promise, Result, best_first

Automaton = Sequence[Sequence[int]]
NEVER = 10**9


class Word(NamedTuple):
    """The states one may be in after ``length`` letters."""

    promise: Promise
    states: frozenset[int]
    length: int

    @property
    def finished(self) -> bool:
        return len(self.states) == 1


class ResetWords:
    """A search.Problem; sets of states are admitted once, shortest word first."""

    def __init__(self, automaton: Automaton) -> None:
        self._letters = automaton
        self._seen: set[frozenset[int]] = set()

    def roots(self) -> Iterable[Word]:
        yield Word((0, 0), frozenset(range(len(self._letters[0]))), 0)

    def admit(self, node: Word) -> Word | None:
        if node.states in self._seen:
            return None
        self._seen.add(node.states)
        return node

    def successors(self, node: Word) -> Iterator[Word]:
        length = node.length + 1
        for letter in self._letters:
            yield Word((length, 0), frozenset([letter[q] for q in node.states]), length)


class GuidedResetWords(ResetWords):
    """As above, led by a bound: no word for a set is shorter than that for any two states of it.

    The bound is looked up only when a node is popped, so that the search must put nodes back.
    """

    def __init__(self, automaton: Automaton) -> None:
        super().__init__(automaton)
        self._apart = _pair_distances(automaton)

    def admit(self, node: Word) -> Word | None:
        least = max([self._apart[a, b] for a in node.states for b in node.states])
        if least >= NEVER:
            return None
        ahead = (node.length + least, 0)
        if ahead > node.promise:
            return node._replace(promise=ahead)
        return super().admit(node)


def _pair_distances(automaton: Automaton) -> dict[tuple[int, int], int]:
    """Length of the shortest word that takes two states to one, by plain relaxation."""
    n = len(automaton[0])
    apart = {(a, b): 0 if a == b else NEVER for a in range(n) for b in range(n)}
    changed = True
    while changed:
        changed = False
        for (a, b), known in apart.items():
            least = min(apart[letter[a], letter[b]] for letter in automaton) + 1
            if least < known:
                apart[a, b] = least
                changed = True
    return apart


def search_word(problem: ResetWords, budget: int = 10**6) -> Result[Word]:
    return best_first(problem, budget)


def shortest(problem: ResetWords) -> int | None:
    """Length of the shortest reset word, or None when there is none."""
    result = best_first(problem, 10**6)
    assert result.complete
    return None if result.best is None else result.best.length


def cerny(n: int) -> Automaton:
    """C_n: one letter turns the ring of states by one, the other takes the last state to the first."""
    return [*range(1, n), 0], [*range(n - 1), 0]
