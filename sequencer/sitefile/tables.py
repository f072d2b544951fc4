"""What the tables of a site file may hold that every command needs: the pad, its circuits, its scenes."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from pathlib import PurePath
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, Strict, model_validator

from sequencer.datasheet import MAX_S
from sequencer.sitefile.line import MAX_PATH, ModbusLine
from sequencer.tomlfile import (
    Faults,
    MisfitError,
    Name,
    Number,
    Pair,
    Some,
    Table,
    did_you_mean,
    printable,
    quoted,
    told,
)
from sequencer.tomltext import shown_path
from sequencer.train import Delays, Limits, line_delay
from sequencer.units import as_milliseconds


def _time_zone(value: str) -> str:
    import zoneinfo  # noqa: PLC0415  (kept out of every start that reads only datasheets)

    try:
        zoneinfo.ZoneInfo(value)
    except (KeyError, ValueError, OSError):
        hint = did_you_mean(value, zoneinfo.available_timezones())
        remedy = hint or 'use a name such as "Europe/Oslo"'
        raise MisfitError(((), f"{quoted(value)} is no known time zone: {remedy}")) from None
    return value


def _flashes(value: float) -> float:
    if value > 3:
        rule = "WCAG 2.2, success criterion 2.3.1: faster flashes can bring on seizures"
        raise MisfitError(((), f"must be at most 3, not {value:g} ({rule})"))
    return value


def _delay(pair: tuple[float, float]) -> tuple[float, float]:
    least, greatest = pair
    if not 0 <= least <= greatest < MAX_DELAY_S:
        if 0 <= least <= greatest < math.inf:
            raise MisfitError(((), as_milliseconds(*pair)))
        words = f"must be the least and the greatest delay in seconds, not [{least}, {greatest}]"
        raise MisfitError(((), words))
    return pair


def _contact_delay(pair: tuple[float, float]) -> tuple[float, float]:
    if (pair[0] or pair[1]) >= NONSENSE_DELAY_S:
        raise MisfitError(((), f"{as_milliseconds(*pair)}; no contact takes so long"))
    return pair


def _pin(value: object) -> object:
    number = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 10_000
    if number or (isinstance(value, str) and re.fullmatch(_PIN, value)):
        return value
    raise MisfitError(((), f'must be a pin such as 17, "GPIO17", "BOARD11" or "J8:11", not {told(value)}'))


def _lamp_name(value: str) -> str:
    if "=" in value:
        raise MisfitError(((), f"must not hold =, which --from LAMP=SCENE needs: {quoted(value)}"))
    return value


def _path(value: str) -> str:
    if not 0 < len(value) <= MAX_PATH or not value.isprintable():
        raise MisfitError(((), f"must be a file's path beside this file, not {quoted(value)}"))
    return value


_PIN = r"(?:GPIO|BCM|WPI|BOARD|[A-Z]+\d*:)?(?:0|[1-9]\d{0,3})"
PinName = Annotated[int | str, BeforeValidator(_pin)]
"""A pin as gpiozero names it."""
DelayRange = Annotated[Pair, AfterValidator(_delay)]
ContactDelay = Annotated[DelayRange, AfterValidator(_contact_delay)]
MAX_DELAY_S = 10.0
NONSENSE_DELAY_S = 3.0
"""No contact needs that long, opening or closing: it was typed in milliseconds (common practice, no source)."""
DOUBTED_DELAY_S = 1.0
"""As above, but not beyond doubt."""


class SiteInfo(Table):
    """Where the pad is, and whose rules apply."""

    name: Name
    latitude: Annotated[Number, Field(ge=-90, le=90)]
    longitude: Annotated[Number, Field(ge=-180, le=180)]
    timezone: Annotated[str, AfterValidator(_time_zone)]
    region: Literal["nec", "iec"]


class Timing(Table):
    """What every train of the site keeps to."""

    margin_s: Annotated[Number, Field(ge=0, le=10)] = 0.03
    max_flashes_per_s: Annotated[Number, Field(ge=0.01), AfterValidator(_flashes)] = 3.0
    max_dark_s: Annotated[Number, Field(gt=0, le=MAX_S)] = 20.0

    @property
    def limits(self) -> Limits:
        """The limits of light and dark, as every train is held against them."""
        return Limits(self.max_flashes_per_s, self.max_dark_s)


class RelaySpec(Table):
    """What every relay has, whatever drives it."""

    side: Literal["secondary", "primary"]
    make_s: ContactDelay
    break_s: ContactDelay
    contact: Literal["normally_closed", "normally_open"]
    rated_cycles: Annotated[int, Field(ge=1, le=10**12)]

    @property
    def own_delays(self) -> Delays:
        """The delays of the relay alone."""
        return Delays(self.make_s, self.break_s)

    @property
    def delays(self) -> Delays:
        """The delays from a command on, as the planner and the player want them."""
        return self.own_delays


class GpioRelay(RelaySpec):
    """A relay on a pin of the board; ``pin`` as gpiozero names it."""

    driver: Literal["gpio"]
    pin: PinName
    active_high: bool = True


class ModbusRelay(RelaySpec, ModbusLine):
    """A coil of a Modbus RTU relay board; on is energised. Coils as in the frame, from 0."""

    driver: Literal["modbus"]
    coil: Annotated[int, Field(ge=0, le=65535)]
    timeout_s: Annotated[Number, Field(ge=0.05, le=5)] | None = None

    @property
    def delays(self) -> Delays:
        """The relay's own, after a line that takes what its baud rate says; measure it where it can be."""
        return self.own_delays.after(line_delay(self.baud))


class SimulatedRelay(RelaySpec):
    """No relay at all: for rehearsal and demonstration."""

    driver: Literal["simulated"]


class SiteLamp(Table):
    """A lamp on a circuit."""

    name: Annotated[Name, AfterValidator(_lamp_name)]
    datasheet: Annotated[str, AfterValidator(_path)]

    @property
    def stem(self) -> str:
        """The datasheet's file name without its ending: the type's name in picks."""
        return PurePath(self.datasheet).stem


class Circuit(Table):
    """The lamps behind one contact."""

    name: Name
    relay: Annotated[GpioRelay | ModbusRelay | SimulatedRelay, Field(discriminator="driver")]
    lamps: Some[SiteLamp] = Field(alias="lamp")


class SiteScene(Table):
    """One name for the whole site; ``picks`` says per datasheet stem which lamp scene it is."""

    name: Name
    picks: dict[str, str] = Field(default_factory=dict)


class Site(Table):
    """The file as a whole."""

    site: SiteInfo
    timing: Timing = Timing()
    circuits: Some[Circuit] = Field(alias="circuit")
    scenes: Annotated[tuple[SiteScene, ...], Strict(False)] = Field(alias="scene", default=())
    # The daemon's, as they stand: read by sitefile.standing when they are needed.
    serve: Any = None
    inputs: Any = None
    outputs: Any = None
    slot: Any = None
    exception: Any = None
    sense: Any = None  # read by sitefile.sense where there is one
    # Read by sitefile.supply where there is one.
    supply: Any = None

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if faults := list(site_faults(list(enumerate(self.circuits)), list(enumerate(self.scenes)))):
            raise MisfitError(*faults)
        return self


def site_faults(circuits: Sequence[tuple[int, Circuit]], scenes: Sequence[tuple[int, SiteScene]]) -> Faults:
    """What does not fit across circuits and scenes."""
    names: set[str] = set()
    pins: dict[object, str] = {}
    lines: dict[str, tuple[Circuit, ModbusRelay]] = {}
    paths: dict[str, str] = {}
    for index, circuit in circuits:
        if circuit.name in names:
            yield ("circuit", index, "name"), f"two circuits are named {quoted(circuit.name)}"
        names.add(circuit.name)
        if isinstance(circuit.relay, GpioRelay):
            pin, label = same_pin(circuit.relay.pin), quoted(circuit.name)
            if pin in pins:
                words = f"{circuit.name}: [relay] pin {circuit.relay.pin} is taken by circuit {pins[pin]}"
                yield ("circuit", index, "relay", "pin"), words
            pins.setdefault(pin, label)
        elif isinstance(circuit.relay, ModbusRelay):
            yield from _line_faults(index, circuit, circuit.relay, pins, lines)
        lamps: set[str] = set()
        for n, lamp in enumerate(circuit.lamps):
            where = ("circuit", index, "lamp", n)
            if lamp.name in lamps:
                yield (*where, "name"), f"{circuit.name}: two lamps are named {quoted(lamp.name)}"
            lamps.add(lamp.name)
            path = os.path.normpath(lamp.datasheet)
            if paths.setdefault(lamp.stem, path) != path:
                both = f"{shown_path(paths[lamp.stem])} and {shown_path(path)}"
                words = f"{both} share the name {quoted(lamp.stem)}, by which picks know them: rename one"
                yield (*where, "datasheet"), f"{circuit.name}: lamp {quoted(lamp.name)}: {words}"
    names = set()
    for index, scene in scenes:
        if scene.name in names:
            yield ("scene", index, "name"), f"two scenes are named {quoted(scene.name)}"
        names.add(scene.name)


def _line_faults(
    index: int,
    circuit: Circuit,
    relay: ModbusRelay,
    coils: dict[object, str],
    lines: dict[str, tuple[Circuit, ModbusRelay]],
) -> Faults:
    """A coil that another circuit has, or a line that another circuit has at another rate."""
    where, head = ("circuit", index, "relay"), f"{circuit.name}: [relay]"
    coil = (relay.line, relay.unit, relay.coil)
    if coil in coils:
        words = f"coil {relay.coil} of unit {relay.unit} ({printable(relay.line)})"
        yield (*where, "coil"), f"{head} {words} is taken by circuit {coils[coil]}"
    coils.setdefault(coil, quoted(circuit.name))
    other, first = lines.setdefault(relay.line, (circuit, relay))
    for key in ("baud", "parity"):
        if getattr(relay, key) != getattr(first, key):
            words = f"{key} {getattr(relay, key)} is not the {getattr(first, key)} of circuit"
            yield (*where, key), f"{head} {words} {quoted(other.name)} on the same line"


def same_pin(pin: int | str) -> int | str:
    """One value for the names that gpiozero gives one pin; a header's and a GPIO's number stay apart.

    >>> same_pin("GPIO17"), same_pin("17"), same_pin("BOARD11")
    (17, 17, 'J8:11')
    """
    if isinstance(pin, str):
        number = pin.removeprefix("GPIO").removeprefix("BCM")
        return int(number) if number.isdigit() else pin.replace("BOARD", "J8:")
    return pin
