"""A contact that was probed on AC: the probe sees every half cycle, or every cycle, of the mains while it is closed.

An opto-coupler or a divider on AC gives one pulse each half cycle (100 or 120 a second), or each cycle when it sees one
half only (50 or 60). Such pulses are joined to one supply. Between two pulses nothing is seen: the contact opened
somewhere from the last pulse's end to where the next would have begun, and closed somewhere in the same length before
the first pulse. The joined wave has these stretches as unknown, so that whoever judges it reckons with both ends.
"""

from __future__ import annotations

from statistics import median
from typing import NamedTuple

from sequencer.bench.capture import Wave

BANDS_S = ((0.0075, 0.0112), (0.015, 0.0224))
"""Half a cycle and a whole one of mains of 45 to 66 Hz: 50 or 60 Hz, and what a generator may make of it."""
LEAST = 10
"""So many pulses in step at least; no contact that bounces does that."""
IN_STEP = 0.15
"""Two pulses are in step when they are so near to the period; a capture at 1 kHz is off by 12 % of 8.33 ms."""
MISSED = 1.25
"""No further pulse for so many periods: the contact is open."""


class Chopping(NamedTuple):
    """What was joined: the mean time from pulse to pulse, and how long nothing is seen between two."""

    period_s: float
    blind_s: float


class _Pulse(NamedTuple):
    rise_s: float
    fall_s: float


def joined(wave: Wave) -> tuple[Wave, Chopping | None]:
    """The wave as one supply for each run of pulses of the mains; as it is, and None, where there are none.

    The level of the pulses stays the level of the joined supply.
    """
    period_s = _period(wave)
    if period_s is None or wave.first is None:
        return wave, None
    stretches = _stretches(wave)
    long_s = {level: sum(b - a for a, b, at in stretches if at == level and b - a > MISSED * period_s)
              for level in (False, True)}  # fmt: skip
    idle = long_s[True] > long_s[False]
    pulses = [_Pulse(a, b) for a, b, level in stretches if level != idle]
    width_s = min(median(pulse.fall_s - pulse.rise_s for pulse in pulses), period_s)
    blind_s = period_s - width_s
    runs: list[list[_Pulse]] = []
    for pulse in pulses:
        if runs and pulse.rise_s - runs[-1][-1].rise_s <= MISSED * period_s:
            runs[-1].append(pulse)
        else:
            runs.append([pulse])
    changes: list[tuple[float, bool]] = []
    unsure = list(wave.unsure)
    first = runs[0][0].rise_s - wave.from_s > period_s
    for place, run in enumerate(runs):
        if place or first:
            # A pulse that the closing cut short still ends in step; a bounce does not.
            clean = len(run) > 1 and _near(run[1].fall_s - run[0].fall_s, period_s)
            at = run[0].rise_s if clean else run[min(1, len(run) - 1)].rise_s
            unsure.append((min(run[0].fall_s - period_s if clean else run[0].rise_s - blind_s, at), at))
            changes.append((at, not idle))
        unsure += _irregular(run, period_s)
        if place < len(runs) - 1 or wave.end_s - run[-1].rise_s > MISSED * period_s:
            clean = len(run) > 1 and _near(run[-1].rise_s - run[-2].rise_s, period_s)
            early = run[-1] if clean else run[-min(2, len(run))]
            at = max(early.rise_s + period_s, run[-1].fall_s)
            unsure.append((early.fall_s, at))
            changes.append((at, idle))
    level = idle if first else not idle
    kept = wave._replace(first=level, changes=tuple(changes), unsure=tuple(sorted(unsure)))
    return kept, Chopping(period_s, blind_s)


def _period(wave: Wave) -> float | None:
    """From pulse to pulse, where most quick changes are in step with the mains."""
    for level in (True, False):
        rises = [at for at, to in wave.changes if to == level]
        apart = [b - a for a, b in zip(rises, rises[1:], strict=False) if b - a < MISSED * BANDS_S[1][1]]
        if len(apart) < LEAST:
            continue
        period_s = median(apart)
        if not any(low <= period_s <= high for low, high in BANDS_S):
            continue
        near = [each for each in apart if _near(each, period_s)]
        if len(near) >= max(LEAST, 0.8 * len(apart)):
            return sum(near) / len(near)
    return None


def _stretches(wave: Wave) -> list[tuple[float, float, bool]]:
    """Every stretch of one level: from, until, level."""
    assert wave.first is not None
    found = []
    at, level = wave.from_s, wave.first
    for change, to in wave.changes:
        found.append((at, change, level))
        at, level = change, to
    found.append((at, wave.end_s, level))
    return found


def _near(length_s: float, period_s: float) -> bool:
    return abs(length_s - period_s) <= IN_STEP * period_s


def _irregular(run: list[_Pulse], period_s: float) -> list[tuple[float, float]]:
    """Where, within a run, the pulses are out of step or too long: the contact may have moved there."""
    inner = run[1:-1]
    found = [
        (a.rise_s, b.fall_s)
        for a, b in zip(inner, inner[1:], strict=False)
        if not _near(b.rise_s - a.rise_s, period_s)
    ]
    return found + [(each.rise_s, each.fall_s) for each in run if each.fall_s - each.rise_s > period_s]
