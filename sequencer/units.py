"""Seconds for people and files, whole nanoseconds where times are added and compared.

Sums of decimal seconds in binary floating point differ in their last digit by the order of adding;
whole nanoseconds do not, so two ways to the same time are the same time. A limit is rounded towards
the safe side: a least time up, a greatest time down.
"""

from __future__ import annotations

import math

NS_PER_S = 1_000_000_000
FOREVER_NS = 1 << 62
"""Stands for "without end" in whole nanoseconds (146 years); compare with ``>=``."""

_DIGITS = 6  # below a nanosecond by this many decimals, a difference is the rounding of the input


def at_least_ns(seconds: float) -> int:
    """The least whole nanoseconds that are not below ``seconds``.

    >>> at_least_ns(0.12 / 0.97)
    123711341
    >>> at_least_ns(0.1 + 0.2)  # a float's last digit is not a nanosecond
    300000000
    >>> at_least_ns(math.inf) == FOREVER_NS
    True
    """
    if math.isinf(seconds):
        return FOREVER_NS
    return math.ceil(round(seconds * NS_PER_S, _DIGITS))


def at_most_ns(seconds: float) -> int:
    """The greatest whole nanoseconds that are not above ``seconds``.

    >>> at_most_ns(2.0 / 1.03)
    1941747572
    >>> at_most_ns(0.3 - 0.1)
    200000000
    """
    if math.isinf(seconds):
        return FOREVER_NS
    return math.floor(round(seconds * NS_PER_S, _DIGITS))


def to_seconds(nanoseconds: int) -> float:
    """Whole nanoseconds as seconds; ``FOREVER_NS`` and above become ``inf``.

    >>> to_seconds(123711341)
    0.123711341
    """
    return math.inf if nanoseconds >= FOREVER_NS else nanoseconds / NS_PER_S


def as_milliseconds(*seconds: float) -> str:
    """What is said of seconds of a size that milliseconds would have, and what to write instead.

    >>> as_milliseconds(300, 1500)
    '300-1500 s looks like milliseconds: write [0.3, 1.5]'
    >>> as_milliseconds(20000)
    '20000 s looks like milliseconds: write 20'
    """
    shown = "-".join(f"{value:.10g}" for value in seconds)
    meant = ", ".join(f"{value / 1000:.10g}" for value in seconds)
    return f"{shown} s looks like milliseconds: write {f'[{meant}]' if len(seconds) > 1 else meant}"
