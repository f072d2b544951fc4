"""What a site file says of a meter that reads a circuit's current: ``[sense.lap-pool]``, a table a circuit.

Read only where a site has one, and only then imported.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, ValidationError

from sequencer.sitefile.line import MeterRegister
from sequencer.tomlfile import Faults, Number, Table, did_you_mean, misfits, quoted
from sequencer.tomltext import clipped

if TYPE_CHECKING:
    from sequencer.sitefile.pad import Pad
    from sequencer.tomlfile import TomlFile


class _Meter(Table):
    """What every meter has: how far its reading may be off, as one standard deviation, and when it is read.

    ``error`` is a part of the reading, ``error_a`` amps; ``settle_s`` is how long after a train the lamps draw what
    their scenes draw.
    """

    error: Annotated[Number, Field(ge=0, lt=0.5)] = 0.01
    error_a: Annotated[Number, Field(gt=0, lt=100)] = 0.03
    settle_s: Annotated[Number, Field(ge=0, le=600)] = 10.0


class ModbusMeter(_Meter, MeterRegister):
    """A register of an energy meter on a serial line."""

    driver: Literal["modbus"]
    timeout_s: Annotated[Number, Field(ge=0.05, le=5)] = 0.5


class SimulatedMeter(_Meter):
    """No meter at all: it reads ``amps``, for rehearsal and demonstration."""

    driver: Literal["simulated"]
    amps: Annotated[Number, Field(ge=0, lt=1000)]


Meter = Annotated[ModbusMeter | SimulatedMeter, Field(discriminator="driver")]


class _Fitted(Table):
    """One circuit's table."""

    sense: Meter


def senses(pad: Pad, file: TomlFile) -> tuple[dict[str, ModbusMeter | SimulatedMeter], list[str]]:
    """Read the tables and hold them against the pad; the problems as lines, in which case nothing is read."""
    tables = file.data["sense"]
    if not isinstance(tables, dict):
        return {}, file.problems([(("sense",), "[sense] must hold a table a circuit, as [sense.lap-pool]")])
    found: dict[str, ModbusMeter | SimulatedMeter] = {}
    problems: list[str] = []
    for name, table in tables.items():
        try:
            found[name] = _Fitted.model_validate({"sense": table}).sense
        except ValidationError as error:
            within = misfits(error, _Fitted, {"sense": table})
            named = [
                (("sense", name, *loc[1:]), words.replace("[sense]", f"[sense] {clipped(name)}:", 1))
                for loc, words in within
            ]
            problems += file.problems(named)
    return found, [*problems, *file.problems(_faults(pad, found))]


def _faults(pad: Pad, found: Mapping[str, object]) -> Faults:
    for name in found:
        circuits = [circuit.name for circuit in pad.circuits]
        if name not in circuits:
            yield ("sense", name), _unknown("[sense] no circuit", name, circuits)
        elif name not in pad.supply:
            words = "what the lamps should draw is unknown: say what feeds them"
            yield ("sense", name), f"[sense] {name}: {words}, as [supply.{name}]"


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    hint = did_you_mean(name, known)
    return f"{what} {quoted(name)}" + (f": {hint}" if hint else "")
