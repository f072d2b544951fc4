"""The scenes met so far, when no datasheet says what there is to see: told apart by the eyes' own threshold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from sequencer.bench.colours import PERIOD_WITHIN, WATTS_WITHIN, difference
from sequencer.instruments.eyes import Sighting

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

NEW = 1.5
"""How many times the eyes' threshold a light must be from every scene to be a new one: a dim light wavers more than
the white that they were calibrated on. Common practice, no source."""
DARK = -1
"""Stands for a lamp that shows nothing."""
HUES = (
    (0.04, 25.0, "rust"),
    (0.04, 60.0, "clay"),
    (0.04, 100.0, "straw"),
    (0.04, 140.0, "fern"),
    (0.04, 180.0, "spruce"),
    (0.04, 225.0, "lagoon"),
    (0.04, 270.0, "dusk"),
    (0.04, 310.0, "heather"),
    (0.04, 345.0, "berry"),
    (0.04, 360.0, "rust"),
)
"""From chroma on, up to which hue angle (degrees) of CIE OKLCh a colour has that name: words of our own."""
GREYS = ((0.25, "soot"), (0.55, "ash"), (0.8, "pebble"), (1.1, "chalk"))
"""Up to which lightness (OKLCh) a colour without hue has that name."""


class Met:
    """One scene: how often it was seen, and the mean of what was seen."""

    def __init__(self, mean: Sighting, times: int = 1) -> None:
        self.mean = mean
        self.times = times
        self._channels = None if mean.colour is None else [float(c) for c in _channels(mean.colour)]

    def again(self, seen: Sighting) -> None:
        """Take one more sighting into the mean; the colours in the order seen are those of the first that has them."""
        self.times += 1
        part = 1 / self.times
        colour = self.mean.colour
        if self._channels is not None and seen.colour is not None:
            self._channels = [
                a + part * (b - a) for a, b in zip(self._channels, _channels(seen.colour), strict=True)
            ]
            colour = "#" + "".join(f"{round(channel):02x}" for channel in self._channels)
        self.mean = Sighting(
            colour,
            _towards(self.mean.period_s, seen.period_s, part),
            self.mean.colours or seen.colours,
            _towards(self.mean.watts, seen.watts, part),
        )


def _channels(colour: str) -> list[int]:
    return [int(colour[i : i + 2], 16) for i in (1, 3, 5)]


def _towards(mean: float | None, seen: float | None, part: float) -> float | None:
    return mean if mean is None or seen is None else mean + part * (seen - mean)


class Gallery:
    """Scenes by number, from 0, in the order in which they were met."""

    def __init__(self, threshold: float) -> None:
        self.threshold = threshold
        self.scenes: list[Met] = []

    def number(self, seen: Sighting) -> int:
        """Which scene it is: the nearest that is near enough, else a new one; :data:`DARK` when dark."""
        if seen.dark:
            return DARK
        ranked = [(apart(met.mean, seen), i) for i, met in enumerate(self.scenes)]
        near = [(share, i) for share, i in ranked if share < NEW * self.threshold]
        if not near:
            self.scenes.append(Met(seen))
            return len(self.scenes) - 1
        _, number = min(near)
        self.scenes[number].again(seen)
        return number

    def names(self) -> tuple[str, ...]:
        """A name for each scene, all different: what it looks like, and a number where two look the same."""
        return tuple(_numbered([name_of(met.mean) for met in self.scenes]))


def apart(a: Sighting, b: Sighting) -> float:
    """How unlike two sightings are, in CIEDE2000; inf where one moves and the other does not.

    Two moving ones whose periods differ by more than :data:`~sequencer.bench.colours.PERIOD_WITHIN` are
    as far apart, and so are two wattages by :data:`~sequencer.bench.colours.WATTS_WITHIN`.
    """
    if (a.period_s is None) != (b.period_s is None):
        return math.inf
    periods = a.period_s or 1.0, b.period_s or 1.0
    if abs(periods[0] - periods[1]) > PERIOD_WITHIN * max(periods):
        return math.inf
    if a.colour is None or b.colour is None:
        if a.watts is None or b.watts is None:
            return math.inf
        return 0.0 if abs(a.watts - b.watts) <= WATTS_WITHIN * max(a.watts, b.watts) else math.inf
    return difference(a.colour, b.colour)


def name_of(seen: Sighting) -> str:
    """What a person could call it.

    >>> name_of(Sighting("#20a0b8")), name_of(Sighting("#f0f0ee")), name_of(Sighting("#20a0b8", 12.2))
    ('lagoon', 'chalk', 'lagoon, 12.2 s round')
    """
    word = f"{seen.watts:.0f} W" if seen.colour is None and seen.watts else _hue(seen.colour or "#000000")
    return word if seen.period_s is None else f"{word}, {seen.period_s:.1f} s round"


def _hue(colour: str) -> str:
    lightness, chroma, hue = oklch(colour)
    for least, up_to, word in HUES:
        if chroma >= least and hue <= up_to:
            return word
    return next(word for most, word in GREYS if lightness <= most)


def oklch(colour: str) -> tuple[float, float, float]:
    """Lightness, chroma and hue angle (degrees, 0 for grey) of an sRGB colour (CSS Color 4, 9.3)."""
    from coloraide import Color  # noqa: PLC0415 - heavy

    found: Any = Color(colour).convert("oklch")
    hue = float(found["hue"])
    return float(found["lightness"]), float(found["chroma"]), 0.0 if math.isnan(hue) else hue


def _numbered(names: Iterable[str]) -> Iterator[str]:
    met: dict[str, int] = {}
    for name in names:
        met[name] = met.get(name, 0) + 1
        yield name if met[name] == 1 else f"{name} {met[name]}"
