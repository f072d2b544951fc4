"""Time as an argument: what the outermost modules hold and tests replace.

All times are seconds on a monotonic axis of the clock's own; only differences mean anything.
"""

from __future__ import annotations

from typing import Protocol


class Clock(Protocol):
    """A monotonic clock that can also wait."""

    def now(self) -> float:
        """Seconds since a moment that stays the same as long as this clock lives."""

    def sleep_until(self, deadline: float) -> None:
        """Return at ``deadline`` or, when that is past, at once."""


class VirtualClock:
    """A clock that jumps to each deadline instead of waiting for it.

    >>> clock = VirtualClock()
    >>> clock.sleep_until(3600.0)
    >>> clock.now()
    3600.0
    """

    def __init__(self, start: float = 0.0) -> None:
        self._now = start

    def now(self) -> float:
        """Seconds; moves only in :meth:`sleep_until`."""
        return self._now

    def sleep_until(self, deadline: float) -> None:
        """Jump to ``deadline``; never back."""
        self._now = max(self._now, deadline)
