"""A rig file: what stands on the bench. Relay, supply and eyes, and what every train keeps to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, Strict, TypeAdapter, ValidationError, model_validator

from sequencer.errors import InputError
from sequencer.sitefile.line import Baud, MeterRegister, SerialLine
from sequencer.sitefile.tables import GpioRelay, ModbusRelay, SimulatedRelay, Timing
from sequencer.tomlfile import Faults, MisfitError, Name, Number, Pair, Table, misfits, quoted, read_toml

MAX_VOLTS = 30.0
"""No lamp for water is fed with more: 30 V DC is the greatest that NEC 680.2 calls low voltage contact limit, and
15 V RMS the greatest on AC; IEC 60364-7-702 allows 30 V DC and 12 V AC in the water."""


def _range(pair: tuple[float, float]) -> tuple[float, float]:
    least, greatest = pair
    if not 0 < least < greatest <= MAX_VOLTS:
        words = f"must be the least and the greatest volts, above 0 and to {MAX_VOLTS:g}"
        raise MisfitError(((), f"{words}, not [{least}, {greatest}]"))
    return pair


def _white(counts: tuple[float, float, float]) -> tuple[float, float, float]:
    if not all(0 < count < 1e9 for count in counts):
        raise MisfitError(((), "must be three readings above 0, as lampstep bench white prints them"))
    return counts


Volts = Annotated[Number, Field(gt=0, le=MAX_VOLTS)]
Timeout = Annotated[Number, Field(ge=0.05, le=10)]
Triple = Annotated[tuple[float, float, float], Strict(False), AfterValidator(_white)]


class FixedSupply(Table):
    """A transformer or a battery: ``volts`` RMS as measured at the lamp's terminals, lamp lit."""

    driver: Literal["fixed"]
    volts: Volts


class ScpiSupply(SerialLine):
    """A programmable supply that understands SCPI, on a serial line. ``volts``: what may be set."""

    driver: Literal["scpi"]
    timeout_s: Timeout = 1.0
    volts: Annotated[Pair, AfterValidator(_range)]
    settle_s: Annotated[Number, Field(ge=0, le=60)] = 0.5


class SimulatedSupply(Table):
    """No supply at all; ``volts``: what may be set, or nothing."""

    driver: Literal["simulated"]
    volts: Annotated[Pair, AfterValidator(_range)] | None = None


class OperatorEyes(Table):
    """A person at the prompt; ``patience_s``: how long an answer is waited for."""

    driver: Literal["operator"]
    patience_s: Annotated[Number, Field(ge=10, le=86400)] = 1800.0


class SensorEyes(SerialLine):
    """A colour sensor that speaks the line protocol of ``docs/colour-sensor.md``.

    ``white`` and ``spread`` are what ``lampstep bench white`` measured; ``allowance`` is how far (CIEDE2000) a
    sound lamp's colour may be from its datasheet's; ``still_s`` how long a light must stay as it is to be still.
    """

    driver: Literal["sensor"]
    baud: Baud = 115200
    timeout_s: Timeout = 1.0
    white: Triple | None = None
    spread: Annotated[Number, Field(ge=0, le=20)] | None = None
    allowance: Annotated[Number, Field(gt=0, le=50)] = 6.0
    still_s: Annotated[Number, Field(ge=0.5, le=120)] = 3.0
    longest_s: Annotated[Number, Field(ge=5, le=3600)] = 180.0

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """As of every line, and what belongs to the white."""
        yield from super().lacking(given)
        if ("white" in given) != ("spread" in given):
            yield ("white",), "white and spread go together: lampstep bench white prints both"


class MeterEyes(MeterRegister):
    """A current meter on Modbus RTU. It sees watts, not colours."""

    driver: Literal["meter"]
    timeout_s: Timeout = 1.0
    still_s: Annotated[Number, Field(ge=0.2, le=120)] = 2.0


class SimulatedEyes(Table):
    """Eyes in virtual time: how noisy (of 255 a channel), and how often they name a chance scene."""

    driver: Literal["simulated"]
    noise: Annotated[Number, Field(ge=0, le=50)] = 1.0
    lapse: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    allowance: Annotated[Number, Field(gt=0, le=50)] = 5.0


class SimulatedLamp(Table):
    """The lamp before a simulated relay: a sound one of the datasheet's type, drawn from ``seed``."""

    seed: Annotated[int, Field(ge=0, le=2**31)] = 1


class BenchTiming(Timing):
    """As a site's, but nobody swims before the bench: a longer dark is allowed."""

    max_dark_s: Annotated[Number, Field(gt=0, le=86_400)] = 60.0


class RigInfo(Table):
    """What the bench is called."""

    name: Name


Relay = Annotated[GpioRelay | ModbusRelay | SimulatedRelay, Field(discriminator="driver")]
Supply = Annotated[FixedSupply | ScpiSupply | SimulatedSupply, Field(discriminator="driver")]
Eyes = Annotated[OperatorEyes | SensorEyes | MeterEyes | SimulatedEyes, Field(discriminator="driver")]


class RigTables(Table):
    """The file as a whole."""

    rig: RigInfo
    relay: Relay
    supply: Supply
    eyes: Eyes
    timing: BenchTiming = BenchTiming()
    lamp: SimulatedLamp | None = None

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if faults := list(_faults(self.relay, self.supply, self.eyes, self.lamp)):
            raise MisfitError(*faults)
        return self


@dataclass(frozen=True)
class Rig:
    """A rig file that is sound."""

    path: Path
    name: str
    relay: GpioRelay | ModbusRelay | SimulatedRelay
    supply: FixedSupply | ScpiSupply | SimulatedSupply
    eyes: OperatorEyes | SensorEyes | MeterEyes | SimulatedEyes
    timing: BenchTiming
    lamp: SimulatedLamp

    @property
    def simulated(self) -> bool:
        """Whether nothing of it is real."""
        return isinstance(self.relay, SimulatedRelay)

    @property
    def volts_range(self) -> tuple[float, float] | None:
        """What the supply can be set to; None where it is fixed."""
        return None if isinstance(self.supply, FixedSupply) else self.supply.volts


def load_rig(path: str | Path) -> Rig:
    """Read a rig file; raises InputError with one line a problem, all that could be found."""
    path = Path(path)
    file = read_toml(path)
    try:
        tables = RigTables.model_validate(file.data)
    except ValidationError as error:
        within = list(misfits(error, RigTables, file.data))
        # pydantic stops before the checks across tables when any table is wrong: look at the sound ones.
        fields = RigTables.model_fields
        parts = {
            name: _sound(fields[name].annotation, name, file.data) for name in ("relay", "supply", "eyes")
        }
        lamp = SimulatedLamp() if "lamp" in file.data else None
        across = _faults(parts["relay"], parts["supply"], parts["eyes"], lamp)
        raise InputError(file.problems([*within, *across])) from None
    return Rig(
        path,
        tables.rig.name,
        tables.relay,
        tables.supply,
        tables.eyes,
        tables.timing,
        tables.lamp or SimulatedLamp(),
    )


def _sound(annotation: Any, name: str, data: dict[str, Any]) -> Any:
    try:
        return TypeAdapter(Annotated[annotation, Field(discriminator="driver")]).validate_python(
            data.get(name)
        )
    except ValidationError:
        return None


def _faults(relay: Any, supply: Any, eyes: Any, lamp: SimulatedLamp | None) -> Faults:
    """What does not fit across tables; one that is itself wrong comes as None."""
    if relay is not None:
        if relay.contact == "normally_open":
            words = "[relay] contact must be normally_closed: the lamp stands lit between trains and with a dead board"
            yield ("relay", "contact"), words
        unreal = isinstance(relay, SimulatedRelay)
        for name, table in (("eyes", eyes), ("supply", supply)):
            if table is None or (name == "supply" and isinstance(table, FixedSupply)):
                continue
            if unreal != (table.driver == "simulated"):
                is_so, not_so = ("simulated", "real") if unreal else ("real", "simulated")
                words = (
                    f"[{name}] is {not_so}, but [relay] is {is_so}: either all of the rig is real, or nothing"
                )
                yield (name, "driver"), words
        if lamp is not None and not unreal:
            yield ("lamp",), "[lamp] is for a simulated relay: a real one has its lamp on the table"
    if isinstance(eyes, MeterEyes) and supply is not None and not isinstance(supply, FixedSupply):
        words = '[eyes] a meter reckons watts from the volts of [supply], which must be driver = "fixed"'
        yield ("eyes", "driver"), words
    yield from _line_faults(relay, supply, eyes)


def _line_faults(relay: Any, supply: Any, eyes: Any) -> Faults:
    """Two instruments on one line; only a meter may share the relay's, at the same rate."""
    lines: dict[str, tuple[str, Any]] = {}
    for name, table in (("relay", relay), ("supply", supply), ("eyes", eyes)):
        line = getattr(table, "line", None)
        if line is None:
            continue
        other, first = lines.setdefault(line, (name, table))
        if other == name:
            continue
        if not (isinstance(table, MeterEyes) and isinstance(first, ModbusRelay)):
            yield (name,), f"[{name}] and [{other}] share the line {quoted(line)}: give each its own"
            continue
        for key in ("baud", "parity"):
            if getattr(table, key) != getattr(first, key):
                words = f"[eyes] {key} {getattr(table, key)} is not the {getattr(first, key)} of [relay]"
                yield ("eyes", key), f"{words} on the same line"
