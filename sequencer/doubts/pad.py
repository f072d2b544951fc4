"""What is doubtful about a pad: its relays, and its lamps' windows against them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.automaton.guards import Window, guards
from sequencer.datasheet import in_milliseconds
from sequencer.doubts.doubt import Doubt
from sequencer.doubts.supply import supply_doubts
from sequencer.sitefile import GpioRelay, ModbusRelay, same_pin
from sequencer.sitefile.tables import DOUBTED_DELAY_S
from sequencer.tomlfile import quoted
from sequencer.units import as_milliseconds, at_least_ns, at_most_ns, to_seconds

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Circuit, Pad, Timing

NEC_MAX_V = 15.0
"""Low voltage contact limit, RMS of sinusoidal AC (NEC 680.2)."""
DOUBTED_START_S = 3.0
"""An electronic transformer starts within a second or two (common practice, no source)."""
DOUBTED_DARK_S = 1000.0
"""Nobody wants a single break of a quarter of an hour (from memory)."""
SELV_ZONE_0_MAX_V = 12.0
"""SELV in zone 0, RMS of AC (IEC 60364-7-702)."""


def pad_doubts(pad: Pad) -> tuple[Doubt, ...]:
    """Everything doubtful: the site, each circuit, what feeds them, each type of lamp."""
    found = [*_of_site(pad)]
    for circuit in pad.circuits:
        found += _of_relay(pad, circuit)
        for stem in dict.fromkeys(lamp.stem for lamp in circuit.lamps):
            found += _of_type_on_circuit(pad, circuit, stem)
    found += supply_doubts(pad)
    for stem, datasheet in pad.datasheets.items():
        found += _of_datasheet(pad, stem, datasheet)
    return tuple(found)


def _of_site(pad: Pad) -> Iterator[Doubt]:
    where = pad.site.name
    if pad.site.region == "nec":
        what = "pool lighting falls under NEC Article 680 and the local code"
    else:
        what = "pool lighting falls under IEC 60364-7-702 and the national rules made from it"
    remedy = "leave what they ask for to a licensed electrician; this check replaces nothing"
    yield Doubt(where, what, remedy, of_every_site=True)
    if pad.timing.max_dark_s >= DOUBTED_DARK_S:
        yield Doubt(where, *_scale("[timing] max_dark_s", as_milliseconds(pad.timing.max_dark_s)))
    if not pad.scenes:
        yield Doubt(where, "the site has no scenes", "add a [[scene]] with a name and picks")
    pins = [c.relay.pin for c in pad.circuits if isinstance(c.relay, GpioRelay)]
    if len({_numbering(pin) for pin in pins}) > 1:
        what = "pins are numbered in more than one way, so that one pin used twice would not be seen"
        yield Doubt(where, what, 'write all of them as "GPIO17"')
    lines = [c.relay for c in pad.circuits if isinstance(c.relay, ModbusRelay)]
    if len({relay.port is None for relay in lines}) > 1:
        what = "serial lines are named by serial_number and by port, so that one line named twice would not be seen"
        yield Doubt(where, what, "name all of them in one way")


def _numbering(pin: int | str) -> str:
    same = same_pin(pin)
    return "" if isinstance(same, int) else same.rstrip("0123456789")


def _of_relay(pad: Pad, circuit: Circuit) -> Iterator[Doubt]:
    relay, margin = circuit.relay, pad.timing.margin_s
    spread = relay.delays.spread_s
    yield from _of_delays(pad, circuit)
    if spread > margin:
        what = f"the relay's delays vary by {spread:g} s either way, more than margin_s = {margin:g} s"
        yield Doubt(circuit.name, what, "measure make_s and break_s more closely, or take a faster relay")
    if relay.contact == "normally_open":
        what = "the contact is normally open: a dead board leaves the water dark"
        yield Doubt(circuit.name, what, "wire the lamps to the normally closed contact")
    if relay.driver == "modbus" and relay.contact == "normally_closed":
        what = "if the line is lost in a break, the board keeps the lamps dark"
        yield Doubt(circuit.name, what, "if it has a watchdog of its own, set that beyond the longest break")
    if relay.side == "primary":
        what = "the relay switches the mains side: mains can kill, and inrush wears its contact"
        remedy = "leave it to a licensed electrician under the local code, or switch the secondary"
        yield Doubt(circuit.name, what, remedy)


def _of_delays(pad: Pad, circuit: Circuit) -> Iterator[Doubt]:
    """Delays of the size of milliseconds; a transformer's own start is not the relay's."""
    supply = pad.supply.get(circuit.name)
    start_s = supply.transformer.start_delay_s if supply else (0.0, 0.0)
    waits = start_s[1] > 0 and circuit.relay.side == "primary"
    told = {
        "[relay] break_s": circuit.relay.break_s,
        f"[supply.{circuit.name}.transformer] start_delay_s": start_s,
    }
    if not waits:
        told["[relay] make_s"] = circuit.relay.make_s
    for key, pair in told.items():
        if (pair[0] or pair[1]) >= (DOUBTED_START_S if "start" in key else DOUBTED_DELAY_S):
            yield Doubt(circuit.name, *_scale(key, as_milliseconds(*pair)))


def _of_type_on_circuit(pad: Pad, circuit: Circuit, stem: str) -> Iterator[Doubt]:
    """Windows against this relay and timing, and scenes that this type lacks."""
    where = f"{circuit.name}: {stem}"
    for what, remedy in _of_windows(pad.datasheets[stem], pad.timing, circuit.relay.delays.spread_s):
        yield Doubt(
            where,
            what,
            remedy or f"say what each shows: --from {_first_lamp(circuit, stem)}=SCENE",
        )
    for scene in pad.scenes:
        if pad.lamp_scene(scene, stem) is None:
            what = f"it has no scene for {quoted(scene.name)}"
            yield Doubt(
                where, what, f"give scene {quoted(scene.name)} a pick for {stem}, or do not send it here"
            )


def _of_windows(datasheet: Datasheet, timing: Timing, spread_s: float) -> Iterator[tuple[str, str]]:
    """What and remedy; an empty remedy means that only being told the lamp's scene helps."""
    safe = guards(datasheet, timing.margin_s + spread_s)
    breaks = {window.name: window for window in safe.breaks}
    counts, home = datasheet.lamp.selects_by == "count", datasheet.lamp.after_power_down == "first"
    pulse, same_train = breaks["pulse"], safe.same_train
    homing = [window for name, window in breaks.items() if name == "reset" or (name == "power_down" and home)]
    longest = at_most_ns(timing.max_dark_s)
    for window in (pulse, *homing, *([same_train] if counts else [])):
        if window.closed:
            eaters = f"clock_tolerance {datasheet.lamp.clock_tolerance:g}, margin_s {timing.margin_s:g} s"
            what = f"{_called(window)} is closed by {eaters} and the relay's spread {spread_s:g} s"
            yield what, "measure the lamp or the relay more closely, or take a relay with less spread"
        elif window is not same_train and window.first_ns > longest:
            what = f"{_called(window)} is beyond max_dark_s {timing.max_dark_s:g} s"
            yield (
                what,
                f"it takes {to_seconds(window.first_ns):.3g} s: raise max_dark_s only if that is safe there",
            )
    beat = at_least_ns(1 / timing.max_flashes_per_s)
    if counts and not pulse.closed and not same_train.closed and pulse.last_ns + same_train.last_ns < beat:
        limit = f"max_flashes_per_s {timing.max_flashes_per_s:g}"
        what = f"{limit} leaves no second break within {_called(same_train)}"
        yield what, "only its scene with code 1 is within reach; faster flashes are not safe"
    if never_forgets(datasheet, timing, spread_s):
        yield "no break brings it to a known scene", ""


def never_forgets(datasheet: Datasheet, timing: Timing, spread_s: float) -> bool:
    """Whether a lamp steps on from wherever it is, and no break that is allowed brings it to a known scene."""
    if datasheet.lamp.selects_by == "count":
        return False
    longest, home = at_most_ns(timing.max_dark_s), datasheet.lamp.after_power_down == "first"
    homing = {"reset", "power_down"} if home else {"reset"}
    breaks = guards(datasheet, timing.margin_s + spread_s).breaks
    return all(window.closed or window.first_ns > longest for window in breaks if window.name in homing)


def _called(window: Window) -> str:
    table = "on" if window.name == "same_train" else "off"
    return f"[{table}] {window.name} ({window.limits_s[0]}-{window.limits_s[1]} s)"


def _first_lamp(circuit: Circuit, stem: str) -> str:
    name = next(lamp.name for lamp in circuit.lamps if lamp.stem == stem)
    return quoted(name) if " " in name else name


def _scale(where: str, words: str) -> tuple[str, str]:
    """What looks like milliseconds, and what to do about it."""
    what, _, instead = words.partition(": ")
    return f"{where} {what}", f"{instead} if it is"


def _of_datasheet(pad: Pad, stem: str, datasheet: Datasheet) -> Iterator[Doubt]:
    for table, windows in (("off", datasheet.off), ("on", datasheet.on)):
        for key, words in in_milliseconds(windows):
            yield Doubt(stem, *_scale(f"[{table}] {key}", words))
    for scene in datasheet.scenes:
        where = f"{stem}: scene {quoted(scene.name)}"
        if scene.colour is None and scene.colours is None:
            lacking = "colour" if scene.period_s is None else "colours"
            what = f"no {lacking}, so that it cannot be compared when a nearest scene is sought"
            yield Doubt(where, what, f"write roughly what it looks like: {lacking} = ...")
        if datasheet.electrical and scene.watts is not None and scene.watts > datasheet.electrical.watts:
            what = f"takes {scene.watts:g} W, more than the worst case of {datasheet.electrical.watts:g} W"
            yield Doubt(where, what, "raise [electrical] watts, which the transformer is reckoned from")
    if datasheet.electrical:
        greatest = datasheet.electrical.volts[1]
        limit, rule = (
            (NEC_MAX_V, "the low voltage contact limit of NEC 680.2")
            if pad.site.region == "nec"
            else (SELV_ZONE_0_MAX_V, "SELV in zone 0 by IEC 60364-7-702")
        )
        if greatest > limit:
            what = f"[electrical] volts go to {greatest:g} V, above {limit:g} V RMS: {rule}"
            yield Doubt(stem, what, "keep the supply at or below that; ask a licensed electrician")
