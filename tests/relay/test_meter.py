"""Readings of current: a meter at the other end of a line, by two programs that others wrote."""

from __future__ import annotations

import asyncio
import struct
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from sequencer.errors import HardwareError
from sequencer.relay.meter import SimulatedCurrent, open_meter
from tests.relay.peers import Wire, need_debian

UNIT = 5
# Two registers a value, high word first: IEEE 754 and big-endian, as most meters have it (common practice).
FLOAT_AT, WHOLE_AT, SHORT_AT = 6, 8, 10
REGISTERS = [0] * 6 + [
    *struct.unpack(">2H", struct.pack(">f", 4.375)),
    *struct.unpack(">2H", struct.pack(">I", 70_000)),
    431,
]


class Meter:
    """An energy meter by pymodbus's own server and simulator, in a thread."""

    def __init__(self, port: Path) -> None:
        bits, words = DataType.BITS, DataType.REGISTERS
        none = [SimData(0, count=1, values=False, datatype=bits)]
        held = [SimData(0, values=[0] * len(REGISTERS), datatype=words)]
        read = [SimData(0, values=REGISTERS, datatype=words)]
        self._device = SimDevice(UNIT, simdata=(none, none, held, read))
        self._port = str(port)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._await(self._start())

    async def _start(self) -> None:
        self._server = ModbusSerialServer(
            self._device, port=self._port, baudrate=9600, parity="N", stopbits=2
        )
        await self._server.serve_forever(background=True)

    def _await(self, what: Any) -> None:
        asyncio.run_coroutine_threadsafe(what, self._loop).result(30)

    def close(self) -> None:
        self._await(self._server.shutdown())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    need_debian()
    with Wire(tmp_path) as line:
        meter = Meter(line.theirs)
        try:
            yield line
        finally:
            meter.close()


def spec(wire: Wire, **changed: Any) -> dict[str, Any]:
    return {
        "driver": "modbus",
        "serial_number": None,
        "port": str(wire.ours),
        "baud": 9600,
        "parity": "none",
        "unit": UNIT,
        "register_at": FLOAT_AT,
        "table": "input",
        "form": "float32",
        "scale": 1.0,
        "timeout_s": 0.3,
        **changed,
    }


@pytest.mark.debian
def test_every_form(wire: Wire) -> None:
    assert open_meter(spec(wire)).amps() == 4.375
    assert open_meter(spec(wire, form="uint32", register_at=WHOLE_AT, scale=1e-4)).amps() == pytest.approx(
        7.0
    )
    assert open_meter(spec(wire, form="uint16", register_at=SHORT_AT, scale=0.01)).amps() == pytest.approx(
        4.31
    )
    assert open_meter(spec(wire, table="holding")).amps() == 0.0


@pytest.mark.debian
def test_what_cannot_be_read_is_said(wire: Wire) -> None:
    with pytest.raises(HardwareError, match=r"meter on unit 5, register 500 .*no such register"):
        open_meter(spec(wire, register_at=500)).amps()
    with pytest.raises(HardwareError, match=r"meter on unit 9.*refused: exception"):
        open_meter(spec(wire, unit=9)).amps()
    with pytest.raises(HardwareError, match=r"register 6 .*nowhere"):
        open_meter(spec(wire, port="/dev/nowhere")).amps()


def test_simulated() -> None:
    meter = open_meter({"driver": "simulated", "amps": 2.5})
    assert isinstance(meter, SimulatedCurrent)
    assert meter.amps() == 2.5
