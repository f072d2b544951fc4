"""A current meter on Modbus RTU: it sees watts, and so tells apart only scenes that draw differently.

Modbus Application Protocol V1.1b3, functions 03 and 04; pymodbus does the protocol.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from statistics import fmean
from typing import TYPE_CHECKING, Any, Self

from sequencer.errors import HardwareError
from sequencer.instruments.eyes import Sighting
from sequencer.instruments.line import port_of

if TYPE_CHECKING:
    from types import TracebackType

READINGS = 5
"""Over a look; their mean counts."""
DARK_W = 0.5
"""Less than this is a lamp that is off."""


class CurrentMeter:
    """The driver: one register, times ``amps_per_count``, times the volts and power factor that it is told.

    ``threshold`` means nothing here: watts are compared as fractions.
    """

    threshold = 0.0

    def __init__(
        self,
        port: str,
        *,
        baud: int,
        parity: str,
        timeout_s: float,
        unit: int,
        register: int,
        table: str,
        amps_per_count: float,
        watts_per_amp: float,
        still_s: float = 2.0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        from pymodbus.client import ModbusSerialClient  # noqa: PLC0415 - only a meter needs it

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what goes wrong is raised
        self._client: Any = ModbusSerialClient(
            port,
            baudrate=baud,
            parity=parity[0].upper(),
            stopbits=2 if parity == "none" else 1,
            timeout=timeout_s,
            retries=0,
        )
        self._where = f"meter on unit {unit}, register {register} ({port})"
        self._unit, self._register = unit, register
        self._read = (
            self._client.read_input_registers if table == "input" else self._client.read_holding_registers
        )
        self._watts_per_count = amps_per_count * watts_per_amp
        self._between_s = still_s / READINGS
        self._sleep = sleep
        if not self._client.connect():
            raise HardwareError(f"{self._where}: the port cannot be opened")
        try:
            self._watts()
        except HardwareError:
            self.close()
            raise

    @property
    def notes(self) -> tuple[str, ...]:
        """What it cannot see."""
        return ("The meter sees watts, not colours: scenes that draw alike are one to it",)

    def look(self) -> Sighting:
        """The mean of some readings."""
        watts = []
        for _ in range(READINGS):
            watts.append(self._watts())
            self._sleep(self._between_s)
        mean = fmean(watts)
        return Sighting(None, watts=mean if mean >= DARK_W else None)

    def close(self) -> None:
        """Let the port go."""
        self._client.close()

    def _watts(self) -> float:
        from pymodbus.exceptions import ModbusException  # noqa: PLC0415 - imported already

        try:
            answer: Any = self._read(self._register, count=1, device_id=self._unit)
        except ModbusException:
            raise HardwareError(
                f"{self._where}: no answer in time: see power, A and B, unit, baud and parity"
            ) from None
        except OSError as error:
            raise HardwareError(f"{self._where}: the adapter is lost ({error})") from error
        if answer.isError():
            raise HardwareError(f"{self._where}: it refuses (exception {answer.exception_code})")
        return float(answer.registers[0]) * self._watts_per_count

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, Any], watts_per_amp: float) -> CurrentMeter:
    """Open from a rig file's table; ``watts_per_amp`` is the volts times the lamp's power factor."""
    port = spec["port"] if spec["port"] is not None else port_of("meter", spec["serial_number"])
    return CurrentMeter(
        port,
        baud=spec["baud"],
        parity=spec["parity"],
        timeout_s=spec["timeout_s"],
        unit=spec["unit"],
        register=spec["register_no"],
        table=spec["table"],
        amps_per_count=spec["amps_per_count"],
        watts_per_amp=watts_per_amp,
        still_s=spec["still_s"],
    )
