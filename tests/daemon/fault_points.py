"""The one layer through which every step of the fault model reaches the world, and what may befall it there.

=============  ============================================  ==================================================
point          what passes                                   what may befall it
=============  ============================================  ==================================================
message        anything put into the daemon's queue          stall (it comes later), lose (it never comes)
wake           the loop's wake-up, with a message or not     stall, lose (only the next poll wakes it), die
fsync          the daemon's entry in the journal             stall before, delay after, die before or after
driver         the daemon opens, sets or closes a relay      all but lose
player wake    the player wakes for an edge                  stall, die
player driver  the player opens, sets or closes a relay      all but lose
player end     the player keeps its log, and answers         stall, delay, die without a log, die with one
=============  ============================================  ==================================================
"""

from __future__ import annotations

from collections import Counter
from typing import Literal, NamedTuple

Point = Literal["message", "wake", "fsync", "driver", "player wake", "player driver", "player end"]
Act = Literal["stall", "delay", "lose", "fail", "fail done", "line", "die", "die done"]
"""``stall``: time goes by before it acts. ``delay``: after it acted. ``fail``: the driver raises, and nothing was
done; ``fail done``: it was done all the same. ``line``: no relay can be reached for so long. ``die``: SIGKILL of
whoever passes, before it acts or after."""

ACTS: dict[Point, tuple[Act, ...]] = {
    "message": ("stall", "lose"),
    "wake": ("stall", "lose", "die"),
    "fsync": ("stall", "delay", "die", "die done"),
    "driver": ("stall", "delay", "fail", "fail done", "line", "die", "die done"),
    "player wake": ("stall", "die"),
    "player driver": ("stall", "delay", "fail", "fail done", "line", "die", "die done"),
    "player end": ("stall", "delay", "die", "die done"),
}


class Killed(BaseException):
    """SIGKILL of the daemon: nothing catches it."""


class Life:
    """One process of the daemon."""

    dead = False
    clean = True


class Fault(NamedTuple):
    """At the ``nth`` pass through ``point`` from when it is laid down; ``for_s`` seconds, where it takes time.

    ``kind``: of a message, only the class that it names counts (``PlayOver``, ``Level``, or ``Level sense``).
    """

    point: Point
    act: Act
    nth: int = 1
    for_s: float = 0.0
    kind: str = ""


class Points:
    """Faults that wait for their pass, and a count of those that struck."""

    def __init__(self) -> None:
        self._waiting: list[tuple[Fault, int]] = []
        self.struck: Counter[tuple[Point, Act]] = Counter()
        self.passed: Counter[Point] = Counter()
        self.seconds = 0.0
        """Of all stalls, delays and broken lines that struck."""

    def lay(self, fault: Fault) -> None:
        """Lay one down."""
        assert fault.act in ACTS[fault.point], f"{fault}: the point knows no such fault"
        self._waiting.append((fault, fault.nth))

    def clear(self) -> None:
        """Nothing more befalls anybody."""
        self._waiting.clear()

    def at(self, point: Point, kind: str = "") -> Fault | None:
        """Pass a point: the fault that strikes now, if one does."""
        self.passed[point] += 1
        found: Fault | None = None
        left = []
        for fault, nth in self._waiting:
            if fault.point != point or not kind.startswith(fault.kind):
                left.append((fault, nth))
            elif nth > 1 or found is not None:
                left.append((fault, max(1, nth - 1)))
            else:
                found = fault
        self._waiting = left
        if found is not None:
            self.struck[point, found.act] += 1
            self.seconds += found.for_s
        return found
