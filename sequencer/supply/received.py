"""What each lamp of a circuit gets, from the worst hour to the best, and its windows then: for the planner."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

from sequencer.supply.extremes import best_words, emf_at, extremes, worst_words
from sequencer.supply.feed import Feed, feed_of, mismatched, network_of, primary_of, primary_words
from sequencer.supply.rectifier import NOTHING, Shortest, Source, shortest
from sequencer.supply.ride_through import charged, greatest_watts, joined, longest_at, moves, windows_at
from sequencer.supply.solve import solve
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Pad
    from sequencer.supply.extremes import Extremes
    from sequencer.supply.network import Network
    from sequencer.supply.ride_through import Moved


class Received(NamedTuple):
    """One lamp's volts, least and greatest; ``least_v`` is 0 where no volts would carry the load.

    ``ride_through_s``: how long it runs on its capacitor in a break, at least and at most; None without
    ``[hold_up]``. ``sheet``: the datasheet, its windows as they are certain at the volts of every lamp of this type
    on the circuit; ``moved``: the edges that lie elsewhere.
    """

    lamp: str
    least_v: float
    greatest_v: float
    ride_through_s: tuple[float, float] | None
    sheet: Datasheet
    moved: tuple[Moved, ...]


def received(pad: Pad, circuit: str) -> tuple[dict[str, Received], list[str]]:
    """By lamp, and a line for each that may get other volts than its datasheet allows.

    Both empty when the site says nothing of this supply.
    """
    feed = feed_of(pad, circuit)
    if feed is None:
        return {}, []
    found = at_lamps(feed)
    return found, outside(feed)


def at_lamps(feed: Feed) -> dict[str, Received]:
    """What every lamp of a feed gets, and what that makes of its windows."""
    network, primary = network_of(feed), primary_of(feed)
    least, high_v = _shortest(feed, network), sqrt(2) * emf_at(feed, network, primary.high_v)
    longest = {name: longest_at(sheet, high_v) for name, sheet in feed.sheets.items()}
    found = {}
    for name, volts in extremes(feed).items():
        own = sheet = feed.sheets[name]
        most = longest[name]
        if most is not None:
            same = [other for other, its in feed.sheets.items() if its is own]
            sheet = windows_at(own, joined([(least[other].break_s, most) for other in same]))
        held = None if most is None else (least[name].runs_s, most)
        found[name] = Received(name, volts.least_v, volts.greatest_v, held, sheet, moves(own, sheet))
    return found


def _shortest(feed: Feed, network: Network) -> dict[str, Shortest]:
    """By lamp with ``[hold_up]``, every lamp at full watts and the primary low.

    Reactance counts as so many ohms more. Lamps without ``[hold_up]`` are taken to draw when the lamp itself does.
    """
    low_v = emf_at(feed, network, primary_of(feed).low_v)
    flow = solve(network, low_v, keep_lit=True)
    amps = {load.name: flow.amps_of(load) for load in network.loads}
    ways = {load.name: _way(network, load.node) for load in network.loads if load.name not in flow.dark}
    lamps = {
        name: charged(sheet, greatest_watts(sheet)) for name, sheet in feed.sheets.items() if name in ways
    }
    known = {name: lamp for name, lamp in lamps.items() if lamp is not None}

    def shared(one: str, other: str) -> float:
        common = ways[one] & ways[other]
        return sum(network.ohms[node].real + abs(network.ohms[node].imag) for node in common)

    rows = []
    for one in known:
        plain = sum(shared(one, other) * amps[other] / amps[one] for other in ways if other not in known)
        rows.append(tuple(shared(one, other) + (plain if other == one else 0.0) for other in known))
    source = Source(sqrt(2) * low_v, feed.supply.transformer.frequency_hz, tuple(rows))
    found = dict.fromkeys(feed.sheets, NOTHING)
    found.update(zip(known, shortest(tuple(known.values()), source), strict=True))
    return found


def _way(network: Network, node: int) -> frozenset[int]:
    way = []
    while node:
        way.append(node)
        node = network.parents[node]
    return frozenset(way)


def outside(feed: Feed) -> list[str]:
    """Lamps that may get fewer volts than they run on, or more than they stand, a line each.

    Where the primary gets another mains system that alone is said, as ``supply`` does.
    """
    if mismatched(feed):
        what, remedy = primary_words(feed)
        return [f"{feed.circuit}: {what}: {remedy}"]
    found = extremes(feed).values()
    short = [f"lamp {quoted(lamp.lamp)} {_gets(lamp)} ({worst_words(feed)})" for lamp in found if lamp.short]
    over = [
        f"lamp {quoted(lamp.lamp)} may get {lamp.greatest_v:.2f} V, more than its {lamp.allowed_v[1]:g} V "
        f"({best_words(feed, lamp.lamp)})"
        for lamp in found
        if lamp.over
    ]
    return short + over


def _gets(lamp: Extremes) -> str:
    wants = f"{lamp.allowed_v[0]:g} V"
    if lamp.least_v == 0:
        return f"cannot be fed at all: more watts than its cable carries, and it wants {wants}"
    return f"may get only {lamp.least_v:.2f} V and wants at least {wants}"
