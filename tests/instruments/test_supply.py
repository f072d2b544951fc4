"""The supply's driver against an instrument that others wrote, over a real pseudo-terminal, and against its twin.

The instrument is pyvisa-sim's simulated device (its engine, told our commands in its own kind of file); sinstruments
puts it on the pseudo-terminal. What the commands mean is IEEE 488.2's.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer.errors import HardwareError
from sequencer.instruments.line import TextLine
from sequencer.instruments.supply import ScpiSupply, open_
from sequencer.instruments.twins import SimulatedScpi

HERE = Path(__file__).parent


@contextmanager
def their_instrument(folder: Path, definition: str, resource: str = "ASRL1::INSTR") -> Iterator[str]:
    """The instrument in a process of its own; its port's path."""
    pytest.importorskip("sinstruments")
    pytest.importorskip("pyvisa_sim")
    port = folder / "supply"
    program = str(HERE / "scpi_instrument.py")
    command = [sys.executable, program, str(port), str(HERE / definition), resource]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "ready\n"
            yield str(port)
        finally:
            process.kill()


def spec(port: str) -> dict[str, object]:
    return {"serial_number": None, "port": port, "baud": 9600, "timeout_s": 2.0, "settle_s": 0.0}


def test_an_instrument_that_others_wrote_is_set_and_read_back(tmp_path: Path) -> None:
    with their_instrument(tmp_path, "scpi_supply.yaml") as port:
        with open_(spec(port)) as supply:
            assert supply.identity == "SCPI,MOCK,0,1.0"
            for volts in (8.0, 12.345, 16.0):
                supply.set(volts)
        with TextLine("probe", None, port, baud=9600, timeout_s=2.0) as probe:
            assert float(probe.ask("VOLT?")) == 16.0
            assert probe.ask("OUTP?") == "0"  # off at the end
            assert probe.ask("*ESR?") == "0"


def test_it_says_what_the_instrument_says_is_wrong(tmp_path: Path) -> None:
    """Out of the instrument's own range: it sets bit 4 of its event status register, and queues the error."""
    with their_instrument(tmp_path, "scpi_supply.yaml") as port, open_(spec(port)) as supply:
        with pytest.raises(HardwareError, match=r"supply: .*error after VOLT 40\.000 \(.*\)"):
            supply.set(40.0)
        supply.set(12.0)  # the register was read, and so cleared: the next setting is judged by itself


def test_the_instrument_as_it_ships_does_not_know_all_that_is_asked(tmp_path: Path) -> None:
    """pyvisa-sim's own default device 2 has *IDN? with three fields: not what IEEE 488.2 asks of an instrument."""
    import importlib.util

    found = importlib.util.find_spec("pyvisa_sim")
    if found is None or found.origin is None:
        pytest.skip("pyvisa-sim is not installed")
    shipped = str(Path(found.origin).parent / "default.yaml")
    with (
        their_instrument(tmp_path, shipped, "ASRL2::INSTR") as port,
        pytest.raises(HardwareError, match="no answer to"),
    ):
        open_(spec(port))


def test_the_twin_does_as_the_instrument_does() -> None:
    with SimulatedScpi((8.0, 16.0)) as twin:
        with open_(spec(twin.port)) as supply:
            supply.set(11.0)
            assert (twin.volts, twin.on) == (11.0, True)
            with pytest.raises(
                HardwareError, match=r'execution error after VOLT 40.000 \(-222,"Data out of range"\)'
            ):
                supply.set(40.0)
            supply.set(12.0)
        assert not twin.on


@pytest.mark.parametrize(
    ("question", "answer", "words"),
    [
        ("*IDN?", "hello", "'hello' is no answer to \\*IDN\\?"),
        ("*ESR?", "many", "'many' is no answer to \\*ESR\\?"),
        ("VOLT?", "11.400", r"told 12\.000 V, it says 11\.400 V"),
        ("*OPC?", "0", "'0' is no answer to \\*OPC\\?"),
        ("*ESR?", "4", r"query error after \*IDN\? \(it does not say which\)"),
        ("*ESR?", "8", "device error"),
        ("*ESR?", "32", "command error"),
        ("*ESR?", "128", ""),
    ],
)
def test_answers_that_are_none(question: str, answer: str, words: str) -> None:
    class Wrong(SimulatedScpi):
        def line(self, text: str) -> str | None:
            return answer if text == question else super().line(text)

    with Wrong() as twin:
        if not words:  # power on (bit 7) and the like are no errors
            with open_(spec(twin.port)) as supply:
                supply.set(12.0)
            return
        with pytest.raises(HardwareError, match=words), open_(spec(twin.port)) as supply:
            supply.set(12.0)


def test_one_that_is_silent_is_not_waited_for_for_ever() -> None:
    class Silent(SimulatedScpi):
        def line(self, text: str) -> str | None:
            return None if text == "*IDN?" else super().line(text)

    with (
        Silent() as twin,
        pytest.raises(HardwareError, match="supply: no answer in time: see that it has power"),
    ):
        open_({**spec(twin.port), "timeout_s": 0.05})


def test_an_end_that_never_comes() -> None:
    class Babbling(SimulatedScpi):
        def heard(self, data: bytes) -> bytes:
            return b"x" * 600 if data else b""

    with Babbling() as twin, pytest.raises(HardwareError, match="no end of line in time"):
        open_(spec(twin.port))


def test_no_port_and_a_port_in_use() -> None:
    with pytest.raises(HardwareError, match=r"supply: /dev/no-such-port cannot be opened: "):
        open_(spec("/dev/no-such-port"))
    with (
        SimulatedScpi() as twin,
        TextLine("other", None, twin.port, baud=9600, timeout_s=0.1),
        pytest.raises(HardwareError, match="cannot be opened"),
    ):
        open_(spec(twin.port))


def test_an_adapter_that_is_not_plugged_in_is_said_so() -> None:
    with pytest.raises(HardwareError, match="supply: no adapter QL-0099 is plugged in"):
        open_({**spec(""), "port": None, "serial_number": "QL-0099"})


def test_closing_again_does_nothing() -> None:
    with SimulatedScpi() as twin:
        supply = ScpiSupply(TextLine("supply", None, twin.port, baud=9600, timeout_s=2.0), settle_s=0.0)
        supply.close()
        supply.close()
