"""An input line moved by a method, and an indicator that is a list: ``driver = "simulated"``, and tests."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Self

from sequencer.errors import HardwareError

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

    from sequencer.inputs.indicator import Pattern
    from sequencer.inputs.protocol import Changed
    from sequencer.sitefile.serve import Line

ACTIVE_AT_FIRST = frozenset({"switch", "sense"})
"""The simulated inputs that begin active, so that a simulated pad stands as a pad does that nobody touches."""


class SimulatedLine:
    """A wire that is wherever it was last moved.

    :param changed: called within :meth:`move`, in the thread of whoever moves.
    :param now: seconds; a virtual clock's in tests.
    """

    notes: tuple[str, ...] = ()

    def __init__(
        self,
        name: str,
        changed: Changed,
        *,
        active: bool = False,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._changed: Changed | None = changed
        self._active = active
        self._now = now

    def move(self, active: bool) -> None:
        """Be at this level from now on; the level that it has already is no change.

        :raises HardwareError: the line is already closed.
        """
        changed = self._must_be_open()
        if active != self._active:
            self._active = active
            changed(active, self._now())

    def read(self) -> bool:
        """Where it was last moved."""
        self._must_be_open()
        return self._active

    def close(self) -> None:
        """Tell of no more changes."""
        self._changed = None

    def _must_be_open(self) -> Changed:
        if self._changed is None:
            raise HardwareError(f"{self._name}: already closed; open it again to use it")
        return self._changed

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class SimulatedIndicator:
    """An indicator that is only a list of what it was to show."""

    notes: tuple[str, ...] = ()

    def __init__(self, name: str) -> None:
        self.shown: list[Pattern] = ["dark"]
        """Every pattern in its order, each other than the one before it."""
        self._name = name
        self._closed = False

    def show(self, pattern: Pattern) -> None:
        """Add it to the list."""
        if self._closed:
            raise HardwareError(f"{self._name}: already closed; open it again to use it")
        self._add(pattern)

    def close(self) -> None:
        """Dark."""
        self._closed = True
        self._add("dark")

    def _add(self, pattern: Pattern) -> None:
        if pattern != self.shown[-1]:
            self.shown.append(pattern)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(name: str, role: str, _line: Line, changed: Changed, now: Callable[[], float]) -> SimulatedLine:
    """Open from a site file's table; ``role`` is its key there, and says where it begins."""
    return SimulatedLine(name, changed, active=role in ACTIVE_AT_FIRST, now=now)


def open_indicator(name: str, _line: Line) -> SimulatedIndicator:
    """Open the indicator from a site file's table."""
    return SimulatedIndicator(name)
