"""How much a question to the planner may cost, counted so that the same question always costs the same.

What is counted are the steps that cost time (``work``) and the values that a search holds at once (``kept``). The
clock is only the last resort on a slow board; it is asked through a function, for the planner itself has none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple


def _no_clock() -> float:
    return 0.0


class Budget(NamedTuple):
    """What one question may cost.

    ``nodes``: how many a search expands, divided by the square of the number of types; ``work``: steps in all
    (a million are some 7 s on a desktop); ``kept``: nodes and courses that one search holds (about 1 kB each).
    ``spent_s`` tells CPU seconds, of which the question may take ``most_s``.
    """

    nodes: int = 36_000
    work: int = 800_000
    kept: int = 70_000
    spent_s: Callable[[], float] = _no_clock
    most_s: float = 8.0


class GaveUp(Exception):  # noqa: N818 - named as it is said
    """A search has used up what it was given."""


_LOOK = 1_000
"""Steps from one look at the clock to the next."""


class Meter:
    """What a question has cost so far, and up to where the search at hand may go."""

    def __init__(self, budget: Budget) -> None:
        self._budget = budget
        self.work = 0
        self.most_kept = 0
        self._kept = 0
        self._most_work = budget.work
        self._began_s = budget.spent_s()
        self._most_s = self._began_s + budget.most_s
        self._look_at = _LOOK

    @contextmanager
    def part(self, share: float) -> Iterator[None]:
        """For a search that may use this share of what is left; what it kept is let go at its end."""
        outer = self._most_work, self._most_s, self._kept
        spent_s = self._budget.spent_s()
        self._most_work = self.work + int(share * (self._most_work - self.work))
        self._most_s = spent_s + share * (self._most_s - spent_s)
        self._kept = 0
        try:
            yield
        finally:
            self._most_work, self._most_s, self._kept = outer

    @property
    def over(self) -> bool:
        """Whether next to nothing is left of the whole."""
        few = self._most_work - self.work < self._budget.work // 50
        return few or self._budget.spent_s() > self._began_s + 0.95 * (self._most_s - self._began_s)

    def charge(self, work: int, kept: int = 0) -> None:
        """Count steps done and values kept; raises :class:`GaveUp` past what the search at hand was given."""
        if self.work + work > self._most_work or self._kept + kept > self._budget.kept:
            raise GaveUp
        self.work += work
        self._kept += kept
        self.most_kept = max(self.most_kept, self._kept)
        if self.work >= self._look_at:
            self._look_at = self.work + _LOOK
            if self._budget.spent_s() > self._most_s:
                raise GaveUp
