"""A stretch of time in columns: wide where little happens is squeezed, and no break is too short to see."""

from __future__ import annotations

from typing import NamedTuple

from sequencer.demo.story import Strip


class Column(NamedTuple):
    """From when to when, seconds, and whether there was supply."""

    start_s: float
    end_s: float
    on: bool

    @property
    def middle_s(self) -> float:
        """The moment that a column shows."""
        return (self.start_s + self.end_s) / 2


def columns(strip: Strip, width: int) -> tuple[Column, ...]:
    """``width`` columns, or as many as there are breaks and supplies if those are more.

    Each gets one column, and what is left is shared by the square roots of their lengths.
    """
    parts = _parts(strip)
    roots = [(end - start) ** 0.5 for start, end, _ in parts]
    left = max(width - len(parts), 0)
    shares = [left * root / sum(roots) for root in roots]
    counts = [1 + int(share) for share in shares]
    by_rest = sorted(range(len(parts)), key=lambda i: (int(shares[i]) - shares[i], i))
    for i in by_rest[: left + len(parts) - sum(counts)]:
        counts[i] += 1
    return tuple(
        Column(start + (end - start) * n / count, start + (end - start) * (n + 1) / count, on)
        for (start, end, on), count in zip(parts, counts, strict=True)
        for n in range(count)
    )


def _parts(strip: Strip) -> list[tuple[float, float, bool]]:
    parts = []
    at = 0.0
    for start, end in strip.supply:
        if start > at:
            parts.append((at, start, False))
        parts.append((start, end, True))
        at = end
    if at < strip.length_s:
        parts.append((at, strip.length_s, False))
    return parts
