"""A circuit of a site, its supply and its lamps' datasheets, as a network; and what would be if."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from sequencer.errors import InputError
from sequencer.sitefile.supply import AWG_SIZES, MM2_SIZES, TRANSFORMER
from sequencer.supply.conductors import cable_ohm
from sequencer.supply.network import Load, Network
from sequencer.supply.ride_through import greatest_watts
from sequencer.tomlfile import did_you_mean, quoted

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Pad
    from sequencer.sitefile.supply import Cable, Supply, Transformer

SOURCE = "source"
"""The node behind the transformer's own impedance: no terminal, only what it would give without load."""
MAINS_TOLERANCE = {"nec": 0.05, "iec": 0.10}
"""How far the mains may be from nominal: ANSI C84.1 range A, IEC 60038 (both from memory)."""
MISMATCH = 0.2
"""A primary that is further from nominal than this is another mains system, not another hour of the day."""


class Feed(NamedTuple):
    """One circuit's supply with what hangs on it; ``sheets`` by lamp, ``side`` is the relay's."""

    circuit: str
    region: str
    side: str
    supply: Supply
    sheets: Mapping[str, Datasheet]


class Primary(NamedTuple):
    """Volts on the primary: as they may sink, as they are, as they may rise."""

    low_v: float
    here_v: float
    high_v: float


def feed_of(pad: Pad, circuit: str) -> Feed | None:
    """The supply of a circuit, None when the site says nothing of it."""
    hung = pad.circuit(circuit)
    if (supply := pad.supply.get(hung.name)) is None:
        return None
    sheets = {lamp.name: pad.datasheets[lamp.stem] for lamp in hung.lamps}
    return Feed(hung.name, pad.site.region, hung.relay.side, supply, sheets)


def primary_of(feed: Feed) -> Primary:
    """The range that is reckoned with: the site's own, else the mains' tolerance around nominal.

    A measurement outside that range counts more than nominal does.
    """
    transformer = feed.supply.transformer
    here = transformer.measured_primary_v or transformer.primary_v
    if transformer.primary_range_v is not None:
        low, high = transformer.primary_range_v
        return Primary(min(low, here), here, max(high, here))
    part = MAINS_TOLERANCE[feed.region]
    around = transformer.primary_v
    if not (1 - part) * around <= here <= (1 + part) * around:
        around = here
    return Primary((1 - part) * around, here, (1 + part) * around)


def mismatched(feed: Feed) -> bool:
    """Whether the primary gets another mains system than its transformer is connected for."""
    return abs(primary_of(feed).here_v / feed.supply.transformer.primary_v - 1) > MISMATCH


def primary_words(feed: Feed) -> tuple[str, str]:
    """What is wrong with a mismatched primary, and what to do."""
    nominal, here = feed.supply.transformer.primary_v, primary_of(feed).here_v
    ratio = here / nominal
    what = f"{here:g} V measured on a primary for {nominal:g} V"
    grows = f"{ratio:.2g} times the primary gives {ratio:.2g} times the secondary"
    return what, f"{grows}: switch off, and have a licensed electrician look at the primary's connections"


def no_load_and_ohm(transformer: Transformer, tap_v: float) -> tuple[float, complex]:
    """A tap's volts without load at nominal primary, and the transformer's impedance as seen from there.

    A tap's nominal volts are taken to be those at rated load, unity power factor (as IEC 61558 rates them, from
    memory). Impedance goes with the square of the turns, so r_ohm and x_ohm, which are of the tap in use, are
    scaled for another one.
    """
    rated_a = transformer.va / tap_v
    if transformer.regulation is not None:
        ratio = transformer.regulation
        full = transformer.regulation_of == "full_load"
        no_load = tap_v * (1 + ratio) if full else tap_v / (1 - ratio)
        return no_load, complex((no_load - tap_v) / rated_a)
    turns = (tap_v / transformer.tap) ** 2
    ohm = complex(transformer.r_ohm or 0.0, transformer.x_ohm or 0.0) * turns
    return abs(tap_v + ohm * rated_a), ohm


def network_of(feed: Feed) -> Network:
    """The tree: source, transformer terminals, the runs' nodes depth first, each lamp behind its own cord."""
    supply, transformer = feed.supply, feed.supply.transformer
    emf_v, own_ohm = no_load_and_ohm(transformer, transformer.tap)
    contact = supply.contact_ohm if feed.side == "secondary" else 0.0
    nodes, parents, ohms = [SOURCE, TRANSFORMER], [0, 0], [0j, own_ohm + contact]
    loads: list[Load] = []
    waiting = [(TRANSFORMER, 1)]
    while waiting:
        name, place = waiting.pop()
        for cord in supply.lamps:
            if cord.node == name:
                nodes.append(cord.name)
                parents.append(place)
                ohms.append(cable_ohm(cord, transformer.frequency_hz))
                loads.append(_load(cord.name, len(nodes) - 1, feed.sheets[cord.name]))
        for run in supply.runs:
            if run.start == name:
                nodes.append(run.to)
                parents.append(place)
                ohms.append(cable_ohm(run, transformer.frequency_hz))
                waiting.append((run.to, len(nodes) - 1))
    order = {name: index for index, name in enumerate(feed.sheets)}
    loads.sort(key=lambda load: order[load.name])
    return Network(tuple(nodes), tuple(parents), tuple(ohms), tuple(loads), emf_v)


def _load(name: str, node: int, sheet: Datasheet) -> Load:
    electrical = sheet.electrical
    assert electrical is not None  # the site file's reading has seen to it
    return Load(name, node, va_of(greatest_watts(sheet), electrical.power_factor), *electrical.volts)


def va_of(watts: float, power_factor: float) -> complex:
    """P + jQ, lagging: VA = watts / power factor.

    >>> va_of(30.0, 0.6)
    (30+40j)
    """
    return complex(watts, watts / power_factor * (1 - power_factor**2) ** 0.5)


def with_tap(feed: Feed, tap_v: float) -> Feed:
    """On another tap; raises InputError when the transformer has none of these volts."""
    transformer = feed.supply.transformer
    if tap_v not in [tap.volts for tap in transformer.taps]:
        known = ", ".join(f"{tap.volts:g}" for tap in transformer.taps)
        raise InputError(f"{feed.circuit}: no tap of {tap_v:g} V: the transformer has {known}")
    turns = (tap_v / transformer.tap) ** 2
    own = {key: ohm * turns for key in ("r_ohm", "x_ohm") if (ohm := getattr(transformer, key)) is not None}
    moved = transformer.model_copy(update={"tap": tap_v, **own})
    return feed._replace(supply=feed.supply.model_copy(update={"transformer": moved}))


def with_conductor(feed: Feed, name: str, size: str) -> Feed:
    """A run (by the node it leads to) or a lamp's cord in another size: "12" is AWG, "2.5mm2" metric.

    Raises InputError for a run or a size that is not there.
    """
    supply = feed.supply
    names = [*(run.to for run in supply.runs), *(cord.name for cord in supply.lamps)]
    problems = []
    if name not in names:
        hint = did_you_mean(name, names)
        problems.append(f"{feed.circuit}: no run or lamp {quoted(name)}" + (f": {hint}" if hint else ""))
    number = size.removesuffix("mm2").strip()
    metric = number != size
    try:
        value = float(number)
    except ValueError:
        value = 0.0
    if value not in (MM2_SIZES if metric else AWG_SIZES):
        sizes = f"AWG {', '.join(map(str, AWG_SIZES))}, or {', '.join(f'{mm2:g}mm2' for mm2 in MM2_SIZES)}"
        problems.append(f"{feed.circuit}: no conductor {quoted(size)}: there is {sizes}")
    if problems:
        raise InputError(problems)
    return with_size(feed, name, None if metric else int(value), value if metric else None)


def with_size(feed: Feed, name: str, awg: int | None, mm2: float | None) -> Feed:
    """The same, for sizes that are known to be sound."""

    def other(cable: Cable, called: str) -> Cable:
        return cable.model_copy(update={"awg": awg, "mm2": mm2}) if called == name else cable

    runs = tuple(other(run, run.to) for run in feed.supply.runs)
    lamps = tuple(other(cord, cord.name) for cord in feed.supply.lamps)
    return feed._replace(supply=feed.supply.model_copy(update={"runs": runs, "lamps": lamps}))


def with_lamp(feed: Feed, node: str, like: str) -> Feed:
    """One more lamp on a node, of the type and with the cord of one that is there; it is named "LIKE again"."""
    nodes = [TRANSFORMER, *(run.to for run in feed.supply.runs)]
    problems = []
    for what, name, known in (("no run leads to", node, nodes), ("no lamp", like, list(feed.sheets))):
        if name not in known:
            hint = did_you_mean(name, known)
            problems.append(f"{feed.circuit}: {what} {quoted(name)}" + (f": {hint}" if hint else ""))
    if problems:
        raise InputError(problems)
    named = f"{like} again"
    while named in feed.sheets:
        named += " again"
    cord = next(cord for cord in feed.supply.lamps if cord.name == like)
    more = cord.model_copy(update={"name": named, "node": node})
    supply = feed.supply.model_copy(update={"lamps": (*feed.supply.lamps, more)})
    return feed._replace(supply=supply, sheets={**feed.sheets, named: feed.sheets[like]})
