"""From readings of a colour sensor to a sighting: pure, and no more than the readings say."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import fmean
from typing import Any, Literal, NamedTuple

from sequencer.instruments.eyes import Sighting

Triple = tuple[float, float, float]
Space = Literal["xyz", "rgb"]

D65_XYZ: Triple = (0.95047, 1.0, 1.08883)
"""CIE standard illuminant D65, 2 degree observer, Y = 1 (IEC 61966-2-1 rounds to these)."""
DARK_Y = 0.002
"""Light below this share of white's is dark."""
BY_CHANCE = 4.6
"""Standard deviations, one of each of three axes, that hold 99.99 % of a spherical normal distribution: the square
root of the 0.9999 quantile of chi squared with 3 degrees of freedom, 21.1."""
MOVES = 3.0
"""CIEDE2000, at least, between the parts of a look that make it a moving light."""
MOST_LAGS = 300
"""A light's history is thinned to so many readings before its period is sought."""
LIKE = 0.6
"""How well (correlation) a light must repeat itself after a period."""


class Reading(NamedTuple):
    """One reading: seconds on any axis, and the three channels less the dark, as the sensor gives them."""

    at_s: float
    channels: Triple


class White(NamedTuple):
    """What the eyes make of white: its channels, and how far (CIEDE2000, root mean square) readings scatter."""

    channels: Triple
    spread: float


def threshold(white: White, allowance: float) -> float:
    """CIEDE2000 within which a light is a colour: what a sound lamp may be off, and what the eyes may.

    ``allowance`` is of the lamp. The eyes add what one reading may be off by chance, three axes alike.

    >>> round(threshold(White((1.0, 1.0, 1.0), 0.6), 6.0), 2)
    7.59
    """
    return allowance + BY_CHANCE * white.spread / sqrt(3)


def calibrate(readings: Sequence[Reading], space: Space) -> White:
    """The white point and spread of these eyes, from readings of a steady white light.

    ValueError for fewer than ten readings, or one without light.
    """
    if len(readings) < 10:
        raise ValueError(f"{len(readings)} readings are too few: ten at least")
    mean: Triple = tuple(fmean(r.channels[i] for r in readings) for i in range(3))  # type: ignore[assignment]
    if min(mean) <= 0:
        raise ValueError("a channel sees no light: see that the sensor looks at the lamp")
    white = _lab((1.0, 1.0, 1.0), space)
    apart = [_apart(_lab(_against(r.channels, mean), space), white) for r in readings]
    return White(mean, sqrt(fmean(d * d for d in apart)))


def colour_of(channels: Triple, white: Triple, space: Space) -> str | None:
    """The sRGB colour of a reading against white; None when it is dark.

    Channels are scaled so that white is white (the von Kries rule, in the sensor's own channels); raw RGB
    counts are then taken for linear sRGB, which they are only about.
    """
    share = _against(channels, white)
    if (share[1] if space == "xyz" else fmean(share)) < DARK_Y:
        return None
    found = _colour(share, space).convert("srgb").clip()
    return str(found.to_string(hex=True, compress=False))


def is_steady(readings: Sequence[Reading], white: White, space: Space) -> bool:
    """Whether a light stays as it is: its quarters' means are no further apart than chance or a lamp's flicker."""
    quarter = max(1, len(readings) // 4)
    parts = [readings[i : i + quarter] for i in range(0, 4 * quarter, quarter)]
    labs = [_lab(_against(_mean(part), white.channels), space) for part in parts if part]
    limit = max(MOVES, BY_CHANCE * white.spread)
    return all(_apart(labs[0], lab) < limit for lab in labs[1:])


def period_of(readings: Sequence[Reading], white: White) -> float | None:
    """After how many seconds a moving light repeats itself; None while it has not done so twice.

    The first peak of its autocorrelation, three channels together, at no more than half the time watched.
    """
    if len(readings) < 8:
        return None
    step = max(1, len(readings) // MOST_LAGS)
    thin = [_mean(readings[i : i + step]) for i in range(0, len(readings) - step + 1, step)]
    dt = (readings[-1].at_s - readings[0].at_s) / (len(readings) - 1) * step
    series = [_against(channels, white.channels) for channels in thin]
    centre: Triple = tuple(fmean(s[i] for s in series) for i in range(3))  # type: ignore[assignment]
    devs = [tuple(s[i] - centre[i] for i in range(3)) for s in series]
    likes = [_like(devs, lag) for lag in range(len(devs) // 2 + 1)]
    low = next((lag for lag, like in enumerate(likes) if like < LIKE / 2), None)
    if low is None:
        return None
    above = [lag for lag in range(low, len(likes) - 1) if likes[lag] >= LIKE]
    peaks = [lag for lag in above if likes[lag - 1] <= likes[lag] >= likes[lag + 1]]
    if not peaks:
        return None
    best = max(likes[lag] for lag in peaks)
    peak = next(lag for lag in peaks if likes[lag] > best - 0.1)
    return (peak + _top(likes[peak - 1 : peak + 2])) * dt


def sighting(readings: Sequence[Reading], white: White, space: Space, period_s: float | None) -> Sighting:
    """The light's mean, over whole periods where it moves."""
    if period_s is not None:
        whole = (readings[-1].at_s - readings[0].at_s) // period_s * period_s
        readings = [r for r in readings if r.at_s <= readings[0].at_s + whole] or readings
    colour = colour_of(_mean(readings), white.channels, space)
    return Sighting(colour, None if colour is None else period_s)


def _like(devs: Sequence[tuple[float, ...]], lag: int) -> float:
    """Correlation of a series with itself, so many steps later."""
    pairs = list(zip(devs, devs[lag:], strict=False))
    both = sum(a[i] * b[i] for a, b in pairs for i in range(3))
    first = sum(v * v for a, _ in pairs for v in a)
    second = sum(v * v for _, b in pairs for v in b)
    return both / sqrt(first * second) if first and second else 0.0


def _top(three: Sequence[float]) -> float:
    """Where between its neighbours a peak is, by the parabola through the three."""
    a, b, c = three
    bend = a - 2 * b + c
    return 0.5 * (a - c) / bend if bend else 0.0


def _mean(readings: Sequence[Reading]) -> Triple:
    return tuple(fmean(r.channels[i] for r in readings) for i in range(3))  # type: ignore[return-value]


def _against(channels: Triple, white: Triple) -> Triple:
    return (channels[0] / white[0], channels[1] / white[1], channels[2] / white[2])


def _colour(share: Triple, space: Space) -> Any:
    from coloraide import Color  # noqa: PLC0415 - heavy

    if space == "rgb":
        return Color("srgb-linear", list(share))
    return Color("xyz-d65", [s * w for s, w in zip(share, D65_XYZ, strict=True)])


def _lab(share: Triple, space: Space) -> Any:
    return _colour(share, space).convert("lab-d65")


def _apart(a: Any, b: Any) -> float:
    return float(a.delta_e(b, method="2000", space="lab-d65"))
