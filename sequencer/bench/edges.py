"""Along a line of lengths: what the lamp does with each, and where that changes.

A probe says of one length what it does, as one word. The line is tried coarsely, then between neighbours that
differ, until each change is known to within a ratio. Pure but for the probe.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple


class Run(NamedTuple):
    """Neighbouring lengths (s) that all do the same: the first and the last that were tried."""

    word: str
    first_s: float
    last_s: float

    @property
    def middle_s(self) -> float:
        """Half way in proportion."""
        return math.sqrt(self.first_s * self.last_s)

    def near(self, wanted_s: float, room: float = 1.3) -> float:
        """The length nearest to one that is wanted, a ratio inside either end where there is room for it."""
        low, high = self.first_s * room, self.last_s / room
        return self.middle_s if low > high else min(max(wanted_s, low), high)


class Line:
    """Lengths tried so far, and what each did."""

    def __init__(self, probe: Callable[[float], str]) -> None:
        self._probe = probe
        self.tried: dict[float, str] = {}

    def at(self, length_s: float) -> str:
        """What a length does, tried if it was not yet."""
        length_s = round(length_s, 4)
        if length_s not in self.tried:
            self.tried[length_s] = self._probe(length_s)
        return self.tried[length_s]

    def runs(self) -> list[Run]:
        """Neighbours that do the same, in order of length."""
        found: list[Run] = []
        for length in sorted(self.tried):
            word = self.tried[length]
            if found and found[-1].word == word:
                found[-1] = found[-1]._replace(last_s=length)
            else:
                found.append(Run(word, length, length))
        return found

    def halve(self, ratio: float, low_s: float = 0.0, high_s: float = math.inf) -> None:
        """Try between neighbours that differ until they are within ``ratio``, from ``low_s`` to ``high_s``."""
        while gap := self._widest(ratio, low_s, high_s, differing=True):
            self.at(gap)

    def fill(self, ratio: float, low_s: float, high_s: float) -> None:
        """Try so that no two neighbours from ``low_s`` to ``high_s`` are further apart than ``ratio``."""
        while gap := self._widest(ratio, low_s, high_s, differing=False):
            self.at(gap)

    def _widest(self, ratio: float, low_s: float, high_s: float, *, differing: bool) -> float | None:
        lengths = [length for length in sorted(self.tried) if low_s <= length <= high_s]
        gaps = [
            (b / a, math.sqrt(a * b))
            for a, b in zip(lengths, lengths[1:], strict=False)
            if b > a * ratio and (not differing or self.tried[a] != self.tried[b])
        ]
        return max(gaps)[1] if gaps else None


def ladder(low_s: float, high_s: float, ratio: float = 2.0) -> list[float]:
    """Lengths from low to high, each at most ``ratio`` times the one before.

    >>> [round(s, 3) for s in ladder(0.1, 1.0)]
    [0.1, 0.178, 0.316, 0.562, 1.0]
    """
    steps = max(1, math.ceil(math.log(high_s / low_s) / math.log(ratio)))
    return [low_s * (high_s / low_s) ** (i / steps) for i in range(steps + 1)]


def from_middle(lengths: list[float], wanted_s: float) -> list[float]:
    """The likeliest first: in order of their distance, in proportion, from one length."""
    return sorted(lengths, key=lambda s: abs(math.log(s / wanted_s)))
