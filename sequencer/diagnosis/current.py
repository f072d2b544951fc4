"""What a reading of a circuit's current says of its lamps: matched, one lamp dark, one lamp on another scene.

Each scene has its watts, the supply's solver makes amps of them, and the reading is as good as its meter. Two
hypotheses that draw the same cannot be told apart by any meter, and those nearer together than the meter is good
for cannot be told apart by this one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.supply.feed import Feed, network_of, primary_of, va_of
from sequencer.supply.solve import solve
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet

WATTS_SPREAD = 0.03
"""One standard deviation of a lamp's watts around its datasheet's, as a part (common practice, no source)."""
FITS = 2.0
"""Standard deviations within which a reading fits: 19 of 20 true ones do."""


class Meter(NamedTuple):
    """How far a reading may be off, one standard deviation: a part of it, and amps."""

    error: float = 0.01
    error_a: float = 0.03


class Hypothesis(NamedTuple):
    """What the lamps may be on, and the amps that the secondary then gives. ``lamp``: the one that is not as meant.

    ``wide_a``: one standard deviation of what the lamps draw, the meter's own not counted in. ``least_a``: what they
    may draw at least; less than ``amps`` where the watts of a scene are not known but for the datasheet's worst case.
    """

    kind: Literal["matched", "dark", "scene"]
    amps: float
    wide_a: float
    least_a: float
    lamp: str = ""
    scene: str = ""

    def __str__(self) -> str:
        """In a few words.

        >>> str(Hypothesis("scene", 3.1, 0.1, 3.1, "north", "moss"))
        'lamp "north" is on "moss"'
        """
        if self.kind == "matched":
            return "every lamp is on its scene"
        where = f"lamp {quoted(self.lamp)}"
        return f"{where} is dark" if self.kind == "dark" else f"{where} is on {quoted(self.scene)}"

    def off_by(self, amps: float) -> float:
        """How far a reading is outside of what it may draw; 0 inside."""
        return max(amps - self.amps, self.least_a - amps, 0.0)


class Reading(NamedTuple):
    """A reading held against the hypotheses: those that fit it, the nearest first.

    ``meant``: every lamp on its scene. ``unknown``: lamps with scenes whose watts no datasheet gives.
    """

    amps: float
    meant: Hypothesis
    fits: tuple[Hypothesis, ...]
    unknown: tuple[str, ...]

    @property
    def matched(self) -> bool:
        """Whether the lamps may be as they are meant to be."""
        return self.meant in self.fits


def hold(feed: Feed, meant: Mapping[str, str], amps: float, meter: Meter) -> Reading:
    """Hold a reading of the secondary's amps (RMS) against what each lamp's scene draws.

    ``meant``: by lamp the name of its scene. A scene without watts of its own may draw anything up to its datasheet's
    worst case, so a reading below what that comes to contradicts nothing.
    """
    everything = _hypotheses(feed, meant)
    spread = math.hypot(meter.error * amps, meter.error_a)
    off = [(each.off_by(amps) / math.hypot(spread, each.wide_a), each) for each in everything]
    fits = tuple(each for far, each in sorted(off, key=lambda one: one[0]) if far <= FITS)
    unknown = [
        lamp
        for lamp, name in meant.items()
        if (scene := feed.sheets[lamp].scene_by_name(name)) is None or scene.watts is None
    ]
    return Reading(amps, everything[0], fits, tuple(unknown))


def _hypotheses(feed: Feed, meant: Mapping[str, str]) -> list[Hypothesis]:
    """All of them, the one that is meant first."""
    watts = {lamp: watts_of(feed.sheets[lamp], name) for lamp, name in meant.items()}
    found = [Hypothesis("matched", *_amps_of(feed, watts))]
    for lamp, name in meant.items():
        found.append(Hypothesis("dark", *_amps_of(feed, {**watts, lamp: (0.0, 0.0)}), lamp))
        for scene in feed.sheets[lamp].scenes:
            if scene.name != name:
                other = {**watts, lamp: watts_of(feed.sheets[lamp], scene.name)}
                found.append(Hypothesis("scene", *_amps_of(feed, other), lamp, scene.name))
    return found


def watts_of(sheet: Datasheet, scene: str) -> tuple[float, float]:
    """What a scene draws at least and at most: from 0 to the worst case where the datasheet does not say."""
    assert sheet.electrical is not None
    found = sheet.scene_by_name(scene)
    if found is None or found.watts is None:
        return 0.0, sheet.electrical.watts
    return found.watts, found.watts


def _amps_of(feed: Feed, watts: Mapping[str, tuple[float, float]]) -> tuple[float, float, float]:
    """Amps and their standard deviation at the most that the lamps may draw; amps at the least."""
    most_a, wide_a = _drawn(feed, {lamp: most for lamp, (_, most) in watts.items()})
    if all(least == most for least, most in watts.values()):
        return most_a, wide_a, most_a
    return most_a, wide_a, _drawn(feed, {lamp: least for lamp, (least, _) in watts.items()})[0]


def _drawn(feed: Feed, watts: Mapping[str, float]) -> tuple[float, float]:
    """The secondary's amps, and one standard deviation of them: each lamp's watts spread by themselves."""
    network = network_of(feed)
    source = network.emf_v * primary_of(feed).here_v / feed.supply.transformer.primary_v
    va = {}
    for lamp, each in watts.items():
        electrical = feed.sheets[lamp].electrical
        assert electrical is not None
        va[lamp] = va_of(each, electrical.power_factor)
    flow = solve(network, source, va=va, keep_lit=True)
    each_a = [abs(flow.amps[load.node]) for load in network.loads]
    return abs(flow.amps[0]), WATTS_SPREAD * math.hypot(*each_a)


def reading_lines(reading: Reading) -> list[str]:
    """What it says, in plain words."""
    meant = reading.meant
    bounded = meant.least_a < meant.amps
    wanted = f"{meant.least_a:.2f} to {meant.amps:.2f} A" if bounded else f"{meant.amps:.2f} A"
    head = f"{reading.amps:.2f} A were read; {wanted} were to be expected"
    others = [str(each) for each in reading.fits if each.kind != "matched"]
    if reading.matched and bounded:
        lines = [
            f"{head}: this contradicts nothing, and does not show either that every lamp is on its scene."
        ]
    elif reading.matched and not others:
        lines = [f"{head}: matched; no single lamp dark or on another scene would draw that."]
    elif reading.matched:
        lines = [
            f"{head}: matched; but this current cannot tell that from:",
            *(f"  {each}" for each in others),
        ]
    elif others:
        lines = [f"{head}: the current contradicts that every lamp is on its scene. It would fit:"]
        lines += [f"  {each}" for each in others]
    else:
        lines = [
            f"{head}: the current contradicts every lamp on its scene, and one lamp otherwise would not explain it."
        ]
    for lamp in reading.unknown:
        lines.append(f"Lamp {quoted(lamp)}: its scene has no watts in the datasheet, so it may draw less.")
    return lines
