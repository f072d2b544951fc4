"""From a datasheet's windows to the lengths that are certain, in whole nanoseconds.

A window ``[a, b]`` of a lamp whose clock may err by ``t`` is certain only in ``[a/(1-t), b/(1+t)]`` of
real time. Around a length at the contact lies a ``pad`` (the wanted margin and the relay's spread), so a
length is safely inside when it is at least ``a/(1-t) + pad`` and at most ``b/(1+t) - pad``. These two
families of points, one for each window's start and one for its end, are all the planner ever looks at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
from sequencer.units import FOREVER_NS, at_least_ns, at_most_ns

Effect = Literal["ignored", "pulse", "reset", "power_down"]


@dataclass(frozen=True, slots=True)
class Window:
    """One window: what it is called, the datasheet's own limits (s) and the safe ones (ns)."""

    name: str
    limits_s: tuple[float, float]
    first_ns: int
    last_ns: int

    @property
    def closed(self) -> bool:
        """No length is safely inside: clock tolerance, spread and margin have eaten it."""
        return self.first_ns > self.last_ns


def safe_window(name: str, limits_s: tuple[float, float], clock_tolerance: float, pad_s: float) -> Window:
    """The part of a window in which a length may be aimed; a start of 0 and an end of ``inf`` stay.

    >>> w = safe_window("pulse", (0.12, 3.0), 0.0, 0.036)
    >>> (w.first_ns, w.last_ns)
    (156000000, 2964000000)
    """
    start, end = limits_s
    first = at_least_ns(start / (1 - clock_tolerance) + pad_s) if start > 0 else 0
    last = at_most_ns(end / (1 + clock_tolerance) - pad_s)
    return Window(name, limits_s, first, min(last, FOREVER_NS))


@dataclass(frozen=True, slots=True)
class Guards:
    """All windows of one type of lamp, made safe for one relay and margin.

    ``breaks`` holds the off windows in order of length; on times are ``same_train``, ``settled`` (count
    lamps), ``warm_up`` and ``noticed``.
    """

    breaks: tuple[Window, ...]
    same_train: Window
    settled: Window | None
    warm_up: Window
    noticed: Window


def guards(datasheet: Datasheet, pad_s: float) -> Guards:
    """The guards of one type of lamp; ``pad_s`` is margin plus relay spread, seconds."""
    tolerance = datasheet.lamp.clock_tolerance
    off, on = datasheet.off, datasheet.on
    named = (
        ("ignored", off.ignored),
        ("pulse", off.pulse),
        ("reset", off.reset),
        ("power_down", off.power_down),
    )
    breaks = [safe_window(n, limits, tolerance, pad_s) for n, limits in named if limits is not None]
    return Guards(
        breaks=tuple(_parted(breaks, at_least_ns(pad_s))),
        same_train=safe_window("same_train", on.same_train, tolerance, pad_s),
        settled=None if on.settled is None else safe_window("settled", on.settled, tolerance, pad_s),
        warm_up=safe_window("warm_up", datasheet.warm_up, tolerance, pad_s),
        noticed=_noticed(datasheet, pad_s),
    )


def _noticed(datasheet: Datasheet, pad_s: float) -> Window:
    """Where supply is certainly noticed. Supply shorter than the pad is not sure to be any, whatever the lamp."""
    window = safe_window("noticed", datasheet.noticed, datasheet.lamp.clock_tolerance, pad_s)
    return replace(window, first_ns=max(window.first_ns, at_least_ns(pad_s)))


def _parted(windows: Sequence[Window], shortest_ns: int) -> Iterator[Window]:
    """Two things that windows by themselves do not see.

    A break shorter than the pad is not sure to be one, even to a lamp that would notice the shortest. And
    where windows touch and nothing parts them (no pad, an exact clock), the length both claim is neither's.
    """
    starts = [max(w.first_ns, shortest_ns) if i else 0 for i, w in enumerate(windows)]
    for i, window in enumerate(windows):
        touches_last = i > 0 and starts[i] <= windows[i - 1].last_ns
        touches_next = i + 1 < len(windows) and starts[i + 1] <= window.last_ns
        yield replace(window, first_ns=starts[i] + touches_last, last_ns=window.last_ns - touches_next)
