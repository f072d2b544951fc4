"""The meter's driver against pymodbus's own server over socat, and against its twin."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from sequencer.bench.colours import match
from sequencer.datasheet import load_datasheet
from sequencer.errors import HardwareError
from sequencer.instruments.meter import CurrentMeter, open_
from sequencer.instruments.twins import SimulatedMeter
from tests.relay.peers import Wire, need_debian

SHEET = load_datasheet(Path(__file__).parents[2] / "config" / "lamps" / "type-a.toml")


def meter(port: str, **changes: object) -> CurrentMeter:
    given = {
        "serial_number": None,
        "port": port,
        "baud": 9600,
        "parity": "none",
        "timeout_s": 0.5,
        "unit": 1,
        "register_no": 3,
        "table": "input",
        "amps_per_count": 0.001,
        "still_s": 0.0,
    }
    return open_({**given, **changes}, watts_per_amp=12.0 * 0.92)


@pytest.mark.debian
def test_against_pymodbus_own_server(tmp_path: Path) -> None:
    need_debian()
    with Wire(tmp_path) as wire:
        registers = [SimData(3, values=[1540], datatype=DataType.REGISTERS)]
        loop, server = asyncio.new_event_loop(), None
        up = threading.Event()

        async def serve() -> None:
            nonlocal server
            device = SimDevice(1, simdata=registers)
            server = ModbusSerialServer(device, port=str(wire.theirs), baudrate=9600, parity="N", stopbits=2)
            await server.serve_forever(background=True)
            up.set()

        thread = threading.Thread(target=lambda: (loop.run_until_complete(serve()), loop.run_forever()))
        thread.start()
        try:
            assert up.wait(10)
            for table in ("input", "holding"):
                with meter(str(wire.ours), table=table) as eyes:
                    assert eyes.look().watts == pytest.approx(1.54 * 12 * 0.92)
        finally:
            assert server is not None
            asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(10)
            loop.call_soon_threadsafe(loop.stop)
            thread.join()
            loop.close()


def test_a_lamp_is_known_by_its_watts() -> None:
    counts = {"now": 1540}  # 17.0 W: millpond
    with SimulatedMeter(lambda: counts["now"]) as twin, meter(twin.port) as eyes:
        assert match(SHEET, eyes.look(), eyes.threshold).code == 1
        counts["now"] = 2720  # 30.0 W: hoarfrost
        assert match(SHEET, eyes.look(), eyes.threshold).code == 6
        counts["now"] = 4000  # 44 W: no scene of it
        assert match(SHEET, eyes.look(), eyes.threshold).code is None
        counts["now"] = 3
        assert eyes.look().dark


def test_another_unit_is_silent_and_an_unknown_register_refused() -> None:
    with (
        SimulatedMeter(lambda: 5) as twin,
        pytest.raises(HardwareError, match=r"meter on unit 9.*no answer in time"),
    ):
        meter(twin.port, unit=9, timeout_s=0.1)

    class Refuses(SimulatedMeter):
        def heard(self, data: bytes) -> bytes:
            from pymodbus.framer import FramerRTU

            body = bytes([data[0], data[1] | 0x80, 2])
            return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")

    with Refuses(lambda: 5) as twin, pytest.raises(HardwareError, match=r"it refuses \(exception 2\)"):
        meter(twin.port)


def test_no_port() -> None:
    with pytest.raises(HardwareError, match="the port cannot be opened"):
        meter("/dev/no-such-port")
