"""From readings to colours and periods: against published white points and primaries, and lights of known period."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.bench.colours import difference
from sequencer.instruments.light import (
    BY_CHANCE,
    D65_XYZ,
    Reading,
    Triple,
    White,
    calibrate,
    colour_of,
    is_steady,
    period_of,
    sighting,
    threshold,
)

FLAT = White((1000.0, 1000.0, 1000.0), 0.5)

# XYZ of sRGB's primaries and white, Y of white = 1: IEC 61966-2-1, the matrix as in its table, from memory.
PRIMARIES = {
    "#ff0000": (0.4124, 0.2126, 0.0193),
    "#00ff00": (0.3576, 0.7152, 0.1192),
    "#0000ff": (0.1805, 0.0722, 0.9505),
    "#ffffff": D65_XYZ,
}


@pytest.mark.parametrize(("colour", "xyz"), PRIMARIES.items())
@pytest.mark.parametrize("gain", [1.0, 7.5, 2000.0])
def test_the_primaries_of_srgb_are_seen_as_themselves(colour: str, xyz: Triple, gain: float) -> None:
    """Whatever the sensor's gain: white is what counts."""
    white: Triple = tuple(gain * c for c in D65_XYZ)  # type: ignore[assignment]
    channels: Triple = tuple(gain * c for c in xyz)  # type: ignore[assignment]
    seen = colour_of(channels, white, "xyz")
    assert seen is not None
    assert difference(seen, colour) < 0.5


def test_a_sensor_with_a_cast_sees_white_as_white() -> None:
    for space in ("xyz", "rgb"):
        assert colour_of((830.0, 1210.0, 455.0), (830.0, 1210.0, 455.0), space) == "#ffffff"  # type: ignore[arg-type]


def test_dark_is_no_colour() -> None:
    assert colour_of((1.0, 1.0, 1.0), FLAT.channels, "rgb") is None
    assert sighting([Reading(0.0, (0.0, 0.0, 0.0))], FLAT, "rgb", 5.0).period_s is None


def readings(
    light: object, seconds: float, noise: float = 0.0, seed: int = 1, dt: float = 0.05
) -> list[Reading]:
    chance = Random(seed)
    found = []
    for n in range(round(seconds / dt) + 1):
        channels = tuple(c * (1 + chance.gauss(0, noise)) for c in light(n * dt))  # type: ignore[operator]
        found.append(Reading(n * dt, channels))  # type: ignore[arg-type]
    return found


def fade(period_s: float, phase: float = 0.0) -> object:
    def light(at: float) -> Triple:
        turn = 2 * math.pi * (at / period_s + phase)
        return (500 + 300 * math.sin(turn), 500 + 200 * math.cos(turn), 400 + 100 * math.sin(turn + 1))

    return light


def steps(period_s: float, colours: list[Triple]) -> object:
    return lambda at: colours[int(at / period_s * len(colours)) % len(colours)]


@settings(max_examples=40, deadline=None)
@given(st.floats(2.0, 30.0), st.floats(0, 1), st.floats(2.1, 4.0), st.integers(0, 99))
def test_the_period_of_a_fading_light_is_found_within_two_per_cent(
    period_s: float, phase: float, rounds: float, seed: int
) -> None:
    seen = readings(fade(period_s, phase), rounds * period_s, noise=0.01, seed=seed)
    assert period_of(seen, FLAT) == pytest.approx(period_s, rel=0.02)


@pytest.mark.parametrize("period_s", [3.0, 12.0, 24.0])
def test_the_period_of_a_stepping_light(period_s: float) -> None:
    light = steps(period_s, [(100.0, 200.0, 300.0), (600.0, 200.0, 100.0), (100.0, 700.0, 100.0)])
    assert period_of(readings(light, 2.5 * period_s, noise=0.01), FLAT) == pytest.approx(period_s, rel=0.02)


def test_there_is_no_period_before_it_was_seen_twice_or_where_there_is_none() -> None:
    assert period_of(readings(fade(10.0), 15.0), FLAT) is None
    assert period_of(readings(lambda _: (500.0, 500.0, 500.0), 30.0, noise=0.02), FLAT) is None
    assert period_of(readings(lambda at: (500 + 10 * at, 500.0, 500.0), 30.0), FLAT) is None
    assert period_of([], FLAT) is None


def test_steady_and_moving_lights() -> None:
    assert is_steady(readings(lambda _: (300.0, 700.0, 500.0), 3.0, noise=0.02), FLAT, "rgb")
    assert not is_steady(readings(fade(6.0), 3.0), FLAT, "rgb")
    assert not is_steady(readings(lambda at: (300.0 if at < 2 else 600.0, 300.0, 300.0), 3.0), FLAT, "rgb")


def test_white_is_the_mean_and_the_spread_what_readings_scatter() -> None:
    """With one per cent in each of three channels, from many readings; then twice as much is twice the spread."""
    spreads = []
    for noise in (0.01, 0.02):
        white = calibrate(readings(lambda _: (830.0, 1210.0, 455.0), 60.0, noise=noise), "xyz")
        assert white.channels == pytest.approx((830.0, 1210.0, 455.0), rel=0.002)
        spreads.append(white.spread)
    assert spreads[1] / spreads[0] == pytest.approx(2.0, rel=0.1)


def test_the_threshold_is_passed_by_chance_once_in_ten_thousand() -> None:
    """Of distances in three equal normal axes; the quantile of chi squared, 21.108, is a table's (from memory)."""
    assert pytest.approx(math.sqrt(21.108), abs=0.01) == BY_CHANCE
    chance, sd = Random(5), 0.4
    spread = sd * math.sqrt(3)
    limit = threshold(White((1, 1, 1), spread), 0.0)
    apart = [math.dist((0, 0, 0), [chance.gauss(0, sd) for _ in range(3)]) for _ in range(100_000)]
    assert 2 <= sum(d > limit for d in apart) <= 25


def test_too_little_to_calibrate_on() -> None:
    with pytest.raises(ValueError, match="too few"):
        calibrate(readings(lambda _: (1.0, 1.0, 1.0), 0.2), "xyz")
    with pytest.raises(ValueError, match="no light"):
        calibrate(readings(lambda _: (1.0, 0.0, 1.0), 2.0), "xyz")


def test_the_colour_of_a_moving_light_is_its_mean_over_whole_rounds() -> None:
    light = steps(4.0, [(1000.0, 0.0, 0.0), (0.0, 1000.0, 0.0)])
    whole = sighting(readings(light, 9.9), FLAT, "rgb", 4.0)
    assert whole == sighting(readings(light, 8.0), FLAT, "rgb", 4.0)
    assert whole.period_s == 4.0
