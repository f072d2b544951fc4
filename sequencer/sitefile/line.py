"""What a site or rig file says of a serial line, and of a meter's register at the other end of one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequencer.tomlfile import Faults, MisfitError, Name, Number, Table, quoted, told

MAX_PATH = 400
"""Longest path to a datasheet or a port, characters."""
BAUDS = (2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""Rates of a serial line: 9600 and 19200 are what every board must have (Modbus over Serial Line V1.02, 2.2)."""


def _baud(value: int) -> int:
    if value not in BAUDS:
        raise MisfitError(((), f"must be one of {', '.join(map(str, BAUDS))}, not {told(value)}"))
    return value


def _port(value: str) -> str:
    if not 1 < len(value) <= MAX_PATH or not value.startswith("/") or not value.isprintable():
        words = f'must be a path such as "/dev/serial/by-path/...", not {quoted(value)}'
        raise MisfitError(((), words))
    return value


Baud = Annotated[int, AfterValidator(_baud)]


class SerialLine(Table):
    """A serial line: found by its USB adapter's ``serial_number``, or at ``port`` where the adapter has none."""

    serial_number: Name | None = None
    port: Annotated[str, AfterValidator(_port)] | None = None
    baud: Baud = 9600

    @model_validator(mode="after")
    def _one_line(self) -> Self:
        if faults := list(self.lacking(self.given)):
            raise MisfitError(*faults)
        return self

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """An adapter or a port."""
        if ("serial_number" in given) == ("port" in given):
            yield (), "must have either serial_number, of the USB adapter, or port"

    @property
    def line(self) -> str:
        """The line as a person would name it: one for all that is on it."""
        return self.port or f"adapter {self.serial_number}"


class ModbusLine(SerialLine):
    """A unit on a line that speaks Modbus RTU.

    Parity is even unless said otherwise (Modbus over Serial Line V1.02, 2.5.1: "the default parity mode
    must be even parity"); units are 1 to 247 (2.2).
    """

    parity: Literal["none", "even", "odd"] = "even"
    unit: Annotated[int, Field(ge=1, le=247)]


class MeterRegister(ModbusLine):
    """A register of a current meter, by Modbus RTU; amps are what is read times ``scale``.

    ``register`` as in the frame, from 0; ``table``: read by function 04 ("input") or 03 ("holding"). ``form``: how
    the amps lie in it; what takes two registers has the high word first (float32: IEEE 754).
    """

    register_at: Annotated[int, Field(ge=0, le=65535, alias="register")]
    table: Literal["input", "holding"] = "input"
    form: Literal["uint16", "int16", "uint32", "int32", "float32"] = "float32"
    scale: Annotated[Number, Field(gt=0)] = 1.0
