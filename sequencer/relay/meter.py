"""Readings of a circuit's current: a Modbus energy meter, and a simulated one beside it.

The meter may hang on the same serial line as a relay board: questions take their turns by :class:`~.modbus.Line`.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, Protocol

from sequencer.errors import HardwareError
from sequencer.relay.modbus import Line, Place

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

_FORMS = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}


class CurrentMeter(Protocol):
    """Whatever can say how many amps the circuit draws now."""

    def amps(self) -> float:
        """RMS; raises HardwareError when it cannot be read."""


class SimulatedCurrent:
    """Reads what it is told."""

    def __init__(self, amps: float) -> None:
        self.reads = amps

    def amps(self) -> float:
        """What it was told."""
        return self.reads


class ModbusCurrent:
    """One register, or two, of an energy meter. The line is opened for each reading: there are few, far apart."""

    def __init__(self, spec: Mapping[str, Any]) -> None:
        self._spec = spec
        self._place = Place(spec["serial_number"], spec["port"], spec["unit"], spec["register_at"])

    def amps(self) -> float:
        """Read it once."""
        spec = self._spec
        words = struct.calcsize(_FORMS[spec["form"]]) // 2
        try:
            line = Line(self._place, spec["baud"], spec["parity"], spec["timeout_s"])
            try:
                registers = line.registers(self._place, spec["table"], words)
            finally:
                line.close()
        except (HardwareError, OSError) as error:
            where = self._place.port or f"adapter {self._place.serial_number}"
            called = f"meter on unit {self._place.unit}, register {self._place.coil} ({where})"
            raise HardwareError(f"{called}: could not be read: {error}") from None
        read: float = struct.unpack(_FORMS[spec["form"]], struct.pack(f">{words}H", *registers))[0]
        amps = abs(read) * spec["scale"]
        if not math.isfinite(amps):
            raise HardwareError(
                f"meter on unit {self._place.unit}: what it reads is no number: see form and register"
            )
        return float(amps)


def open_meter(spec: Mapping[str, Any]) -> CurrentMeter:
    """By a site file's table, whose keys are checked there."""
    return SimulatedCurrent(spec["amps"]) if spec["driver"] == "simulated" else ModbusCurrent(spec)
