"""A current meter as eyes, at the simulated meter. The driver itself: tests/relay/test_meter.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.bench.colours import match
from sequencer.datasheet import load_datasheet
from sequencer.errors import HardwareError
from sequencer.instruments.meter import READINGS, CurrentEyes
from sequencer.instruments.twins import SimulatedMeter
from sequencer.relay.meter import ModbusCurrent

SHEET = load_datasheet(Path(__file__).parents[2] / "config" / "lamps" / "type-a.toml")


def eyes_at(port: str, **changes: object) -> CurrentEyes:
    given = {
        "serial_number": None,
        "port": port,
        "baud": 9600,
        "parity": "none",
        "timeout_s": 0.5,
        "unit": 1,
        "register_at": 3,
        "table": "input",
        "form": "uint16",
        "scale": 0.001,
    }
    return CurrentEyes(ModbusCurrent({**given, **changes}).amps, 12.0 * 0.92, still_s=0.0)


def test_a_lamp_is_known_by_its_watts() -> None:
    counts = {"now": 1540}  # 17.0 W: millpond
    with SimulatedMeter(lambda: counts["now"]) as twin, eyes_at(twin.port) as eyes:
        assert match(SHEET, eyes.look(), eyes.threshold).code == 1
        counts["now"] = 2720  # 30.0 W: hoarfrost
        assert match(SHEET, eyes.look(), eyes.threshold).code == 6
        counts["now"] = 4000  # 44 W: no scene of it
        assert match(SHEET, eyes.look(), eyes.threshold).code is None
        counts["now"] = 3
        assert eyes.look().dark


def test_the_mean_of_some_readings_spread_over_the_look() -> None:
    readings = iter([9.0, 1.0, 2.0, 3.0, 4.0, 5.0])  # the first is the one when it is made
    slept: list[float] = []
    eyes = CurrentEyes(lambda: next(readings), 2.0, still_s=1.0, sleep=slept.append)
    assert eyes.look().watts == 6.0
    assert slept == [1.0 / READINGS] * READINGS


def test_another_unit_is_silent_and_an_unknown_register_refused() -> None:
    with (
        SimulatedMeter(lambda: 5) as twin,
        pytest.raises(HardwareError, match=r"meter on unit 9.*no answer within 0.1 s"),
    ):
        eyes_at(twin.port, unit=9, timeout_s=0.1)

    class Refuses(SimulatedMeter):
        def heard(self, data: bytes) -> bytes:
            from pymodbus.framer import FramerRTU

            body = bytes([data[0], data[1] | 0x80, 2])
            return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")

    with Refuses(lambda: 5) as twin, pytest.raises(HardwareError, match=r"refused: exception 2"):
        eyes_at(twin.port)


def test_no_port() -> None:
    with pytest.raises(HardwareError, match=r"meter on unit 1.*no-such-port"):
        eyes_at("/dev/no-such-port")
