"""Which scene of a datasheet a sighting is, and how sure that can be."""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sequencer.datasheet import Datasheet, LampScene
    from sequencer.instruments.eyes import Sighting

PERIOD_WITHIN = 0.1
"""A period within this fraction of a scene's is that scene's. Common practice, no source."""
WATTS_WITHIN = 0.08
"""Watts within this fraction of a scene's are that scene's. Common practice, no source."""


class Match(NamedTuple):
    """The scene that a sighting is most like, and whether it is near enough to be that scene.

    ``difference`` is CIEDE2000 for a still scene, a fraction of the period for a moving one and of the watts
    where only these were seen; None with nothing to compare.
    """

    code: int | None
    difference: float | None

    @property
    def found(self) -> bool:
        """Whether it is one of the datasheet's scenes."""
        return self.code is not None


def match(sheet: Datasheet, seen: Sighting, threshold: float) -> Match:
    """Find the scene: moving ones by period, still ones by CIEDE2000, both by watts where no colour is seen.

    The nearest scene counts, if it is near enough; ``difference`` is to the nearest in any case. Where two
    moving scenes have periods within :data:`PERIOD_WITHIN`, the nearer mean colour decides.
    """
    if seen.dark:
        return Match(None, None)
    if seen.colour is None:
        ranked = [(abs(seen.watts - s.watts) / s.watts, s) for s in sheet.scenes if s.watts and seen.watts]
        return _nearest(ranked, WATTS_WITHIN)
    moving = [(_apart(seen.period_s, s.period_s), s) for s in sheet.scenes]
    if seen.period_s is None:
        ranked = [(difference(seen.colour, mean_colour(s)), s) for s in sheet.scenes if s.period_s is None]
        return _nearest(ranked, threshold)
    near = [(apart, scene) for apart, scene in moving if apart <= PERIOD_WITHIN]
    if len(near) > 1:
        _, scene = min(
            ((difference(seen.colour, mean_colour(s)), s) for _, s in near), key=lambda pair: pair[0]
        )
        return Match(scene.code, _apart(seen.period_s, scene.period_s))
    return _nearest([(apart, scene) for apart, scene in moving if apart != float("inf")], PERIOD_WITHIN)


def _apart(seen_s: float | None, period_s: float | None) -> float:
    return float("inf") if seen_s is None or period_s is None else abs(seen_s - period_s) / period_s


def _nearest(ranked: list[tuple[float, LampScene]], enough: float) -> Match:
    if not ranked:
        return Match(None, None)
    least, scene = min(ranked, key=lambda pair: pair[0])
    return Match(scene.code if least <= enough else None, least)


def alike(sheet: Datasheet, threshold: float) -> Iterator[tuple[str, str]]:
    """Pairs of scenes that eyes of this threshold could take for one another."""
    for a, b in combinations(sheet.scenes, 2):
        if a.period_s is None and b.period_s is None:
            if difference(mean_colour(a), mean_colour(b)) < 2 * threshold:
                yield a.name, b.name
        elif a.period_s is not None and b.period_s is not None:
            near = _apart(a.period_s, b.period_s) <= 2 * PERIOD_WITHIN
            if near and difference(mean_colour(a), mean_colour(b)) < 2 * threshold:
                yield a.name, b.name


@lru_cache(maxsize=1 << 16)
def difference(a: str, b: str) -> float:
    """CIEDE2000 (Sharma, Wu and Dalal 2005) between two sRGB colours under D65, as coloraide computes it.

    >>> difference("#0b6672", "#0b6672"), round(difference("#51606b", "#dfe9ee"), 1)
    (0.0, 42.4)
    """
    return 0.0 if a == b else float(_lab(a).delta_e(_lab(b), method="2000", space="lab-d65"))


@lru_cache(maxsize=1 << 14)
def _lab(colour: str) -> Any:
    from coloraide import Color  # noqa: PLC0415 - heavy

    return Color(colour).convert("lab-d65")


def mean_colour(scene: LampScene) -> str:
    """A scene's colour; of a moving one the mean of its linear light, each colour for as long as the others.

    Grey where the datasheet names none. The transfer function is that of sRGB (IEC 61966-2-1).

    >>> from sequencer.datasheet import LampScene
    >>> mean_colour(LampScene(code=1, name="blink", period_s=2.0, colours=("#000000", "#ffffff")))
    '#bcbcbc'
    """
    if scene.colour is not None:
        return scene.colour
    colours = scene.colours or ("#808080",)
    means = (sum(_linear(int(c[i : i + 2], 16)) for c in colours) / len(colours) for i in (1, 3, 5))
    return "#" + "".join(f"{_encoded(mean):02x}" for mean in means)


def _linear(value: int) -> float:
    """Light of an 8-bit value of sRGB, by IEC 61966-2-1 (from memory)."""
    v = value / 255
    return v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4


def _encoded(light: float) -> int:
    v = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return round(255 * v)
