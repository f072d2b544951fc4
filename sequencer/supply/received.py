"""What each lamp of a circuit gets, from the worst hour to the best: for the planner.

Least: every lamp at full watts, the primary low. Greatest: the lamp alone and in its dimmest scene, the primary
high. What a lamp gets at any other time lies between.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sequencer.supply.feed import Feed, feed_of, network_of, primary_of, va_of
from sequencer.supply.ride_through import joined, least_watts, moves, ride_through, windows_at
from sequencer.supply.solve import solve
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Pad
    from sequencer.supply.network import Load
    from sequencer.supply.ride_through import Moved


class Received(NamedTuple):
    """One lamp's volts, least and greatest; ``least_v`` is 0 where no volts would carry the load.

    ``ride_through_s`` at these volts, None without ``[hold_up]``. ``sheet``: the datasheet, its windows as they
    are certain at the volts of every lamp of this type on the circuit; ``moved``: the edges that lie elsewhere.
    """

    lamp: str
    least_v: float
    greatest_v: float
    ride_through_s: tuple[float, float] | None
    sheet: Datasheet
    moved: tuple[Moved, ...]


def received(pad: Pad, circuit: str) -> tuple[dict[str, Received], list[str]]:
    """By lamp, and a line for each that falls short; empty when the site says nothing of this supply."""
    feed = feed_of(pad, circuit)
    if feed is None:
        return {}, []
    found = at_lamps(feed)
    return found, shortfalls(feed, found)


def at_lamps(feed: Feed) -> dict[str, Received]:
    """What every lamp of a feed gets, and what that makes of its windows."""
    network, primary = network_of(feed), primary_of(feed)
    per_volt = network.emf_v / feed.supply.transformer.primary_v
    together = solve(network, per_volt * primary.low_v, keep_lit=True)
    ranges: dict[str, tuple[float, float]] = {}
    for load in network.loads:
        sheet = feed.sheets[load.name]
        assert sheet.electrical is not None
        dim = va_of(least_watts(sheet), sheet.electrical.power_factor)
        alone = solve(network, per_volt * primary.high_v, va={load.name: dim}, keep_lit=True)
        least = 0.0 if load.name in together.dark else together.volts_at(load)
        ranges[load.name] = (least, alone.volts_at(load))
    half_period_s = 0.5 / feed.supply.transformer.frequency_hz
    found = {}
    for name, volts in ranges.items():
        own = feed.sheets[name]
        same = [ranges[other] for other, sheet in feed.sheets.items() if sheet is own]
        sheet = windows_at(own, joined(same), half_period_s)
        held = ride_through(own, volts, half_period_s)
        found[name] = Received(name, *volts, held, sheet, moves(own, sheet))
    return found


def shortfalls(feed: Feed, found: dict[str, Received]) -> list[str]:
    """Lamps that may get less than they run on, a line each."""
    primary = primary_of(feed)
    worst = f"all lamps at full watts, {primary.low_v:.4g} V on the primary"
    return [
        f"lamp {quoted(load.name)} {_gets(load, found[load.name].least_v)} ({worst})"
        for load in network_of(feed).loads
        if found[load.name].least_v < load.least_v * (1 - 1e-9)
    ]


def _gets(load: Load, volts: float) -> str:
    if volts == 0:
        return f"cannot be fed at all: more watts than its cable carries, and it wants {load.least_v:g} V"
    return f"may get only {volts:.2f} V and wants at least {load.least_v:g} V"
