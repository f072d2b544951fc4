"""How long a lamp's capacitor carries it, at the worst moment of the mains.

The lamp: a bridge rectifier, a capacitor behind it, a load of constant power. Before it: the source and the ohms of
everything in between. In that model the capacitor obeys, with ``e`` the rectified volts of the source,
``C dv/dt = max(0, (e - v) / R) - P / v``. Three things follow that ``t = C (V1^2 - V2^2) / (2 P)`` alone leaves out:
the capacitor never reaches the open-circuit peak; between two peaks it sinks, and a break may begin when it is
lowest; and when the contact closes again, the capacitor sinks on until the source is above it.

``shortest`` reckons in steps that never come out above the true solution (see ``_Steps``). Several lamps on shared
cable are solved in turn, each with what the others draw meanwhile. That takes some two milliseconds a lamp; the answers
are kept. The tests hold them against an integration by scipy: never above it, at most 15 % below.
"""

from __future__ import annotations

import math
from copy import copy
from functools import lru_cache
from typing import NamedTuple

RECTIFIER_V = 1.4
"""Lost in a bridge rectifier: two silicon diodes in the way (common practice, no source)."""

_COUNT = 160
"""Steps of half a period: a break comes out some two of them too short."""
_NEAR_V = 2e-3
"""So near to the steady course is near enough."""
_ROUNDS = 60
_SWEEPS = 30


class Charged(NamedTuple):
    """A lamp's capacitor, the volts at which the lamp drops out, and what it draws until then."""

    capacitance_f: float
    dropout_v: float
    watts: float


class Source(NamedTuple):
    """What stands before the rectifiers of some lamps.

    ``peak_v``: the peak of its volts without any load; ``frequency_hz``: 0 is DC. ``ohms[j][k]``: what the way to
    lamp ``j`` shares with the way to lamp ``k``; ``ohms[j][j]`` is all of the way to ``j``.
    """

    peak_v: float
    frequency_hz: float
    ohms: tuple[tuple[float, ...], ...] = ((0.0,),)


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, watts: float) -> float:
    """Seconds for which a capacitor feeds a constant power while it falls from one voltage to another.

    ``t = C (V1^2 - V2^2) / (2 P)``: energy over power, as in design notes of power supplies (secondary copy).

    >>> round(hold_up_s(470e-6, 17.0, 10.0, 12.0) * 1000, 2)
    3.7
    """
    return max(0.0, capacitance_f * (from_v**2 - to_v**2) / (2 * watts))


def longest_s(lamp: Charged, peak_v: float) -> float:
    """No break that is longer is ridden through (s): its capacitor full, as if nothing had ever drawn on it."""
    return hold_up_s(lamp.capacitance_f, max(0.0, peak_v - RECTIFIER_V), lamp.dropout_v, lamp.watts)


class Shortest(NamedTuple):
    """The worst moment of the mains. ``runs_s``: so long at least the lamp runs on its capacitor alone.

    ``break_s``: every break of the supply up to this long is ridden through, whenever in the mains it begins and
    ends. It is the shorter one: after the break the source must first be above the capacitor again.
    """

    runs_s: float
    break_s: float


@lru_cache(maxsize=256)
def shortest(lamps: tuple[Charged, ...], source: Source) -> tuple[Shortest, ...]:
    """How long each goes on at least, all of them lit for long; ``NOTHING`` where one drops out without a break.

    On DC the capacitors have ``V`` of ``V = V0 - R P / V``, and after a break the source is there at once.

    >>> lamp = Charged(7e-3, 8.5, 30.0)
    >>> [one] = shortest((lamp,), Source(12.48 * 2**0.5, 60.0, ((0.516,),)))
    >>> round(1000 * one.runs_s, 1), round(1000 * one.break_s, 1)
    (5.3, 2.4)
    >>> [one] = shortest((lamp,), Source(12.48 * 2**0.5, 0.0, ((0.516,),)))
    >>> round(1000 * one.runs_s, 1), round(1000 * one.break_s, 1)
    (18.6, 18.6)
    """
    ways = _as_if_alone(lamps, source)
    if source.frequency_hz == 0:
        return tuple(_on_dc(lamp, source.peak_v, way) for lamp, way in zip(lamps, ways, strict=True))
    found = []
    for lamp, way, course in zip(lamps, ways, _courses(lamps, source, ways), strict=True):
        if course is None or (lowest := min(course)) <= lamp.dropout_v:
            found.append(NOTHING)
            continue
        runs = hold_up_s(lamp.capacitance_f, lowest, lamp.dropout_v, lamp.watts)
        steps = _Steps(lamp, source, way)
        found.append(Shortest(runs, min(runs, _break_s(steps, course, _enough(steps, course[0])))))
    return tuple(found)


NOTHING = Shortest(0.0, 0.0)
"""Of a lamp that drops out without any break."""


def _on_dc(lamp: Charged, peak_v: float, ohm: float) -> Shortest:
    open_v = peak_v - RECTIFIER_V
    left = open_v**2 - 4 * lamp.watts * ohm
    if open_v <= 0 or left < 0:
        return NOTHING
    held = hold_up_s(lamp.capacitance_f, (open_v + math.sqrt(left)) / 2, lamp.dropout_v, lamp.watts)
    return Shortest(held, held)


def _as_if_alone(lamps: tuple[Charged, ...], source: Source) -> list[float]:
    """By lamp, the ohms with which it would lose the same if no other were there: the others draw when it draws,
    in proportion to their watts."""
    return [
        sum(ohm * other.watts / lamp.watts for ohm, other in zip(row, lamps, strict=True))
        for lamp, row in zip(lamps, source.ohms, strict=True)
    ]


def _courses(lamps: tuple[Charged, ...], source: Source, ways: list[float]) -> list[list[float] | None]:
    """Each lamp's capacitor over half a period, all lit for long; None for one that drops out.

    First each as if alone, then each with what the others draw meanwhile, over and over until nothing changes (the
    method of Gauss and Seidel, which converges here: what ways share makes a symmetric, positive matrix).
    """
    alone = [_Steps(lamp, source, way) for lamp, way in zip(lamps, ways, strict=True)]
    courses = [steps.course(source.peak_v - RECTIFIER_V) for steps in alone]
    if len(lamps) == 1:
        return courses
    amps = [steps.amps(course) for steps, course in zip(alone, courses, strict=True)]
    alone = [
        _Steps(lamp, source, row[j]) for j, (lamp, row) in enumerate(zip(lamps, source.ohms, strict=True))
    ]
    changes = 0.0
    for _ in range(_SWEEPS):
        changes = 0.0
        for j, row in enumerate(source.ohms):
            if (before := courses[j]) is None:
                continue
            others = [(ohm, amps[k]) for k, ohm in enumerate(row) if k != j and ohm]
            drops = [sum(ohm * drawn[n] for ohm, drawn in others) for n in range(_COUNT)]
            steps = alone[j].less(drops)
            courses[j] = course = steps.course(source.peak_v - RECTIFIER_V, before[0])
            if course is None:
                changes = math.inf
                continue
            amps[j] = steps.amps(course)
            changes = max(changes, abs(course[0] - before[0]))
        if changes <= _NEAR_V:
            break
    sure = 2 * min(changes, 1.0)
    return [None if course is None else [volts - sure for volts in course] for course in courses]


class _Steps:
    """Half a period of the mains in steps, from one zero of the volts to the next, for one lamp.

    In a step of ``h`` seconds from ``v0``, with ``e`` the least that the source has in it,
    ``w(t) = sqrt(v0^2 - 2 P t / C) + max(0, e - v0) (1 - exp(-t / R C))`` is never above the true solution: its
    first part sinks as fast as without any charge, and its second charges as from ``v0``, above which it never
    is lower (``w'`` is at most what the equation says at ``w``: the comparison theorem). It is concave, so its
    least is at one of its ends; and the higher ``v0``, the higher it ends.
    """

    def __init__(self, lamp: Charged, source: Source, ohm: float) -> None:
        self.lamp = lamp
        self.dropout_v = lamp.dropout_v
        self.length_s = 0.5 / source.frequency_hz / _COUNT
        self.falls = 2 * lamp.watts / lamp.capacitance_f * self.length_s
        """By so much the square of the volts sinks in a step."""
        time_s = ohm * lamp.capacitance_f
        self.part = 1.0 if time_s == 0 else -math.expm1(-self.length_s / time_s)
        at = [source.peak_v * math.sin(math.pi * n / _COUNT) - RECTIFIER_V for n in range(_COUNT + 1)]
        self.least = [min(pair) for pair in zip(at, at[1:], strict=False)]

    def less(self, drops: list[float]) -> _Steps:
        """The same with so much less from the source, step by step."""
        other = copy(self)
        other.least = [e - drop for e, drop in zip(self.least, drops, strict=True)]
        return other

    def course(self, highest: float, near: float | None = None) -> list[float] | None:
        """The capacitor's volts over half a period, lamp lit for long; None where it drops out."""
        if self.falls >= self.dropout_v**2 / 4 or highest <= self.dropout_v:
            return None
        volts = _steady(self, highest, highest if near is None else near)
        if volts is None:
            return None
        return self.forth(volts)

    def amps(self, course: list[float] | None) -> list[float]:
        """What charges it, step by step; of a lamp that drops out, what would feed it there."""
        if course is None:
            mean = self.lamp.watts / self.dropout_v
            return [2 * mean * math.sin(math.pi * (n + 0.5) / _COUNT) ** 2 for n in range(_COUNT)]
        per_v = self.lamp.capacitance_f / self.length_s
        return [
            per_v * (to - math.sqrt(volts * volts - self.falls))
            for volts, to in zip(course, course[1:], strict=False)
        ]

    def forth(self, volts: float) -> list[float]:
        """From the first zero of the mains to the next; 0 from where nothing is left."""
        falls, part = self.falls, self.part
        found = [volts]
        for e in self.least:
            left = volts * volts - falls
            if left <= 0:
                return [*found, 0.0]
            volts = math.sqrt(left) + (e - volts) * part if e > volts else math.sqrt(left)
            found.append(volts)
        return found

    def back(self, volts: float) -> list[float]:
        """The least volts at each step, never below dropout, from which one ends at ``volts`` or above."""
        falls, part, dropout = self.falls, self.part, self.dropout_v
        kept = math.sqrt(dropout * dropout - falls)
        found = [volts]
        for e in reversed(self.least):
            if kept + max(0.0, e - dropout) * part >= volts:
                volts = dropout
            elif (free := math.sqrt(volts * volts + falls)) >= e:
                volts = free
            else:
                y = volts - e * part
                root = math.sqrt(y * y + (1 - part * part) * falls)
                volts = (
                    (y * y + falls) / (root - y * part) if y < 0 else (y * part + root) / (1 - part * part)
                )
            found.append(volts)
        return found[::-1]


def _steady(steps: _Steps, highest: float, near: float) -> float | None:
    """The capacitor's volts at a zero of the mains, lamp lit for long: about ``_NEAR_V`` too few, never too many.

    Half a period that ends no lower than it began never sinks further. None where none above dropout was found.
    ``near``: where to look first.
    """
    low, high = None, highest
    volts, before = near, None
    for _ in range(_ROUNDS):
        gain = steps.forth(volts)[-1] - volts
        if gain >= 0:
            low = volts
        else:
            high = volts
        at = volts + gain
        if before is not None and before[0] != volts:  # where a straight line through the last two meets 0
            slope = (gain - before[1]) / (volts - before[0])
            at = volts - gain / slope if slope < 0 else volts + gain
        if low is not None and (high - low <= _NEAR_V or (gain >= 0 and at - low <= _NEAR_V)):
            return low
        before = (volts, gain)
        below = steps.dropout_v if low is None else low
        volts = at - _NEAR_V / 2 if gain < 0 else at
        if not below < volts < high:
            volts = (below + high) / 2
        if low is None and high - below <= _NEAR_V:
            return None
    return low


def _enough(steps: _Steps, steady: float) -> list[float]:
    """By step: with these volts, once the supply is back for good, the capacitor never sinks to dropout again.

    Begun with volts to which half a period brings it back, the lower the better, and found backwards from there;
    each round is a truth of its own.
    """
    volts = steady
    for part in (0.02, 0.1, 0.25, 0.5, 0.75):
        lower = steps.dropout_v + part * (steady - steps.dropout_v)
        course = steps.forth(lower)
        if course[-1] >= lower and min(course) >= steps.dropout_v:
            volts = lower
            break
    for _ in range(_ROUNDS):
        found = steps.back(volts)
        if abs(volts - found[0]) < 1e-9:
            break
        volts = found[0]
    return found


def _break_s(steps: _Steps, course: list[float], enough: list[float]) -> float:
    """The least from where a break may begin to where it may end too late.

    In a break the square of the volts sinks evenly. Both "what it has, and what it would have lost until now" and
    the same of "what it must have" only grow with time, so that each begin has one first end that is too late.
    """
    falls = steps.falls
    must = [volts * volts for volts in enough]
    end = None
    least = math.inf
    for begin in range(_COUNT):
        has = course[begin] ** 2 + falls * begin
        if end is None:  # whole half periods at whose end there is enough wherever in them it is
            end = max(0, int((has - max(must)) / falls) // _COUNT * _COUNT)
        while must[end % _COUNT] + falls * end <= has:
            end += 1
        # It may begin anywhere in the step after ``begin``, and end anywhere in the step before ``end``.
        least = min(least, end - begin - 2)
    return max(0.0, least * steps.length_s)
