"""Volts at the lamps as the site file has them, and as they would be if something in the supply were otherwise.

The primary is taken as it is (measured, else nominal), every lamp at full watts: a lamp that wakes takes what it
can get. What a voltmeter shows is reckoned with the watts of the scenes that the lamps are seen on.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from sequencer.diagnosis import priors
from sequencer.diagnosis.reader import SOUND, Hearing
from sequencer.supply.feed import Feed, network_of, primary_of, va_of, with_tap
from sequencer.supply.rectifier import RECTIFIER_V
from sequencer.supply.ride_through import longest_at
from sequencer.supply.solve import solve

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.supply.network import Network

_ROOT_2 = 2**0.5


class Volts(NamedTuple):
    """By lamp, RMS: with all lamps at full watts, and with the scenes they are seen on.

    With what supply that is: on another tap, or with ``extra_ohm`` in the run or cord that leads to ``at``.
    """

    full: Mapping[str, float]
    seen: Mapping[str, float]
    tap_v: float | None = None
    at: str = ""
    extra_ohm: float = 0.0


def volts(
    feed: Feed,
    watts: Mapping[str, float],
    *,
    tap_v: float | None = None,
    at: str = "",
    extra_ohm: float = 0.0,
) -> Volts:
    """Volts on another tap, or with ``extra_ohm`` in the run or cord that leads to ``at``."""
    network, source = _network(feed, tap_v, at, extra_ohm)
    seen = {load.name: _va(feed.sheets[load.name], watts.get(load.name)) for load in network.loads}
    full = {load.name: load.va for load in network.loads}
    return Volts(_at(network, source, full), _at(network, source, seen), tap_v, at, extra_ohm)


def alone_v(feed: Feed, found: Volts, lamp: str) -> float:
    """What one lamp gets at full watts when no other is switched on, with the same supply."""
    network, source = _network(feed, found.tap_v, found.at, found.extra_ohm)
    return _at(network, source, {lamp: network.load(lamp).va})[lamp]


def _network(feed: Feed, tap_v: float | None, at: str, extra_ohm: float) -> tuple[Network, float]:
    network = network_of(feed if tap_v is None else with_tap(feed, tap_v))
    if at:
        ohms = list(network.ohms)
        ohms[_last(network, at)] += extra_ohm
        network = network._replace(ohms=tuple(ohms))
    return network, network.emf_v * primary_of(feed).here_v / feed.supply.transformer.primary_v


def _at(network: Network, source: float, va: Mapping[str, complex]) -> dict[str, float]:
    flow = solve(network, source, va=va, keep_lit=True)
    return {load.name: 0.0 if load.name in flow.dark else flow.volts_at(load) for load in network.loads}


def _last(network: Network, name: str) -> int:
    """A lamp may be called as a node is: a cord comes after its node, and runs to others only at the end."""
    return max(place for place, node in enumerate(network.nodes) if node == name)


def _va(sheet: Datasheet, watts: float | None) -> complex:
    assert sheet.electrical is not None
    return va_of(sheet.electrical.watts if watts is None else watts, sheet.electrical.power_factor)


def hearing_at(sheet: Datasheet, volts: float, softness: float) -> Hearing:
    """How a lamp hears at so many volts: it misses in proportion to what it lacks, or gives no light at all.

    ``softness``: the part of its least volts at the lack of which it takes nothing. Above its greatest volts the
    capacitor carries it longer. SOUND where the datasheet says nothing of volts.
    """
    if sheet.electrical is None:
        return SOUND
    least, greatest = sheet.electrical.volts
    if dark_at(sheet, volts):
        return Hearing(dark=True)
    if volts < least:
        return Hearing(misses=_tenths((least - volts) / (softness * least)))
    if volts > greatest and (held := longest_at(sheet, _ROOT_2 * volts)) is not None:
        return Hearing(rides_s=held)
    return SOUND


def _tenths(chance: float) -> float:
    """A chance in tenths, so that nearly equal volts are read once; what is above 0 stays so."""
    return min(1.0, max(0.05, round(chance, 1)))


def dark_at(sheet: Datasheet, volts: float) -> bool:
    """Whether a lamp gives no light: its capacitor is never charged above dropout."""
    if sheet.electrical is None:
        return False
    if sheet.hold_up is not None:
        return _ROOT_2 * volts - RECTIFIER_V <= sheet.hold_up.dropout_v
    return volts < priors.DARK_BELOW * sheet.electrical.volts[0]
