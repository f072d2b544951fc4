"""The driver of a relay on a serial line alone: its frames, boards that answer wrongly, lines that are lost."""

from __future__ import annotations

import errno
import fcntl
import os
import select
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import pytest
from serial.tools import list_ports

from sequencer.errors import HardwareError, InputError
from sequencer.relay.modbus import ROUND_TRIPS, ModbusRelay, open_
from sequencer.train import LINE_JITTER_S, frame_s, silence_s
from tests.relay.peers import RawBoard, closing_all, coil_board, crc

UNIT, COIL = 0x11, 0xAC
ON = bytes.fromhex("11 05 00 AC FF 00 4E 8B")
"""Write single coil 173 on: the example of Modbus Application Protocol V1.1b3, 6.5, on unit 17."""
OFF = (head := bytes.fromhex("11 05 00 AC 00 00")) + crc(head)
READ = (head := bytes.fromhex("11 01 00 AC 00 01")) + crc(head)
PATIENT = (0.0, 10.0)
"""What the line may take: a busy machine makes no failure."""

Open = Callable[..., ModbusRelay]


class Bench(NamedTuple):
    """A board that does as it is told until ``answer`` is put in the place of that, and its coils."""

    board: RawBoard
    coils: dict[int, bool]
    spec: dict[str, Any]


def bench_of() -> Bench:
    coils: dict[int, bool] = {}
    board = RawBoard(lambda request: coil_board(request, coils))
    spec = {"driver": "modbus", "contact": "normally_closed", "port": board.port, "unit": UNIT, "coil": COIL}
    return Bench(
        board,
        coils,
        {**spec, "baud": 115200, "parity": "none", "timeout_s": 0.1, "line_delay_s": PATIENT},
    )


@pytest.fixture
def opened() -> Iterator[list[Any]]:
    with closing_all() as things:
        yield things


@pytest.fixture
def bench(opened: list[Any]) -> Bench:
    made = bench_of()
    opened.append(made.board)
    return made


# -- frames ----------------------------------------------------------------------------------------


def test_the_frames_are_the_standards(bench: Bench) -> None:
    """Also the checksum of a read: ``11 01 00 13 00 13 8E 92``, an example in common use."""
    assert crc(bytes.fromhex("11 01 00 13 00 13")) == bytes.fromhex("8E 92")
    assert crc(ON[:-2]) == ON[-2:]
    with open_(bench.spec) as relay:
        relay.set(False)
        assert relay.read() is False
        relay.set(True)
    assert bench.board.requests == [OFF, READ, ON, READ, OFF, OFF]


def test_nineteen_coils_as_in_the_standard(bench: Bench) -> None:
    """``11 01 03 CD 6B 05 40 12``: coils 20 to 38, low bit first (V1.1b3, 6.1)."""
    with open_(bench.spec) as relay:
        assert relay._line is not None
        bench.board.answer = lambda _: bytes.fromhex("11 01 03 CD 6B 05 40 12")
        answer = relay._line._ask(
            lambda: relay._line._client.read_coils(0x13, count=0x13, device_id=UNIT)
        ).answer
        bench.board.answer = lambda request: request
    assert bench.board.requests[2] == bytes.fromhex("11 01 00 13 00 13 8E 92")
    assert [int(bit) for bit in answer.bits[:19]] == [
        *(1, 0, 1, 1, 0, 0, 1, 1),
        *(1, 1, 0, 1, 0, 1, 1, 0),
        1,
        0,
        1,
    ]


# -- boards that answer wrongly ---------------------------------------------------------------------


def framed(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + crc(body)


SILENT = r"no answer within 0\.1 s: see that the unit has power"
NO_ANSWER = r"what came back within 0\.1 s is no answer \({}"
WRONG_ANSWERS: list[tuple[bytes, str]] = [
    (b"", SILENT),
    (ON[:5], NO_ANSWER.format("11 05 00 ac ff")),
    (ON[:1], NO_ANSWER.format("11")),
    (ON[:-1] + b"\x8c", NO_ANSWER.format("11 05")),
    (b"\x55\xaa\x00\xff" * 10, NO_ANSWER.format("55 aa 00 ff")),
    (bytes(4000), NO_ANSWER.format("00 00")),
    (framed("12 05 00 AC FF 00"), NO_ANSWER.format("12 05")),
    (framed("11 05 00 AC 00 00"), "its echo is not what was sent"),
    (framed("11 05 00 AD FF 00"), "its echo is not what was sent"),
    (framed("11 01 01 01"), "its echo is not what was sent"),
    (framed("11 85 01"), "refused: it does not know function 05"),
    (framed("11 85 02"), "refused: it has no coil 172"),
    (framed("11 85 03"), "refused: it does not take the value"),
    (framed("11 85 04"), "refused: it failed at it"),
    (framed("11 85 06"), "refused: it is busy"),
    (framed("11 85 0B"), "refused: exception 11"),
]


@pytest.mark.parametrize(("answer", "words"), WRONG_ANSWERS, ids=lambda value: str(value[:12]))
def test_a_wrong_answer_is_said_plainly_and_once(
    answer: bytes, words: str, bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    good = bench.board.answer
    with open_(bench.spec) as relay:
        bench.board.answer = lambda _: answer
        with pytest.raises(HardwareError, match=rf"relay on unit 17, coil 172 \(/dev/pts/\d+\): .*: {words}"):
            relay.set(False)
        assert bench.board.requests == [OFF, READ, ON]  # no second try: it would be late
        bench.board.answer = good
        relay.set(False)
        assert bench.coils == {COIL: True}
    assert bench.coils == {COIL: False}
    assert caplog.records == []


def test_a_line_that_never_falls_silent_is_given_up(bench: Bench, opened: list[Any]) -> None:
    babbling = threading.Event()
    opened.append(babbler := Babbler(bench.board, babbling))
    relay = open_(bench.spec)
    opened.append(relay)
    bench.board.answer = babbler.start
    with pytest.raises(HardwareError, match="is no answer"):
        relay.set(False)
    babbler.close()
    bench.board.answer = lambda request: coil_board(request, bench.coils)
    relay.close()
    assert bench.coils[COIL] is False


class Babbler:
    """Noise in a thread, from the first request to the end."""

    def __init__(self, board: RawBoard, end: threading.Event) -> None:
        self._board, self._end = board, end
        self._thread = threading.Thread(target=self._babble)

    def start(self, _request: bytes) -> bytes:
        if not self._thread.is_alive():
            self._thread.start()
        return b""

    def _babble(self) -> None:
        while not self._end.is_set():
            if select.select([], [self._board._master], [], 0.01)[1]:
                os.write(self._board._master, b"\x55")

    def close(self) -> None:
        self._end.set()
        if self._thread.is_alive():
            self._thread.join()


def test_an_answer_to_a_question_that_was_given_up_is_not_taken_for_the_next(bench: Bench) -> None:
    with open_(bench.spec) as relay:
        assert relay._line is not None
        os.write(bench.board._master, framed("11 85 04"))
        select.select([relay._line._port], [], [])  # it is there
        relay.set(False)
        assert bench.coils == {COIL: True}


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", SILENT),
        (framed("11 81 02"), "it has no coil 172"),
        (framed("11 05 00 AC FF 00"), "not to the quest"),
    ],
    ids=lambda value: str(value[:12]),
)
def test_what_cannot_be_read_is_said(answer: bytes, words: str, bench: Bench) -> None:
    good = bench.board.answer
    with open_(bench.spec) as relay:
        bench.board.answer = lambda _: answer
        with pytest.raises(HardwareError, match=f"could not be read: .*{words}"):
            relay.read()
        bench.board.answer = good


def test_a_board_that_cannot_read_coils_back(bench: Bench) -> None:
    bench.board.answer = lambda request: framed("11 81 01") if request[1] == 1 else request
    with open_(bench.spec) as relay:
        assert relay.read() is None


# -- opening ---------------------------------------------------------------------------------------


def test_noise_at_opening_is_forgiven_once(bench: Bench) -> None:
    good, answers = bench.board.answer, [b"\x00\xff"]
    bench.board.answer = lambda request: answers.pop() if answers else good(request)
    open_(bench.spec).close()
    assert bench.board.requests == [OFF, OFF, READ, OFF]


def test_a_coil_that_stays_on_is_no_relay_at_rest(bench: Bench) -> None:
    bench.board.answer = lambda request: framed("11 01 01 01") if request[1] == 1 else request
    with pytest.raises(HardwareError, match="was told to rest, but reads that its coil is on"):
        open_(bench.spec)


def test_a_unit_that_is_not_there(bench: Bench) -> None:
    bench.board.answer = lambda _: b""
    with pytest.raises(HardwareError, match=f"cannot be told to rest: {SILENT}"):
        open_(bench.spec)
    assert bench.board.requests == [OFF, OFF]


def test_a_port_that_is_not_there(bench: Bench) -> None:
    with pytest.raises(
        HardwareError, match=r"unit 17, coil 172 \(/dev/none\): cannot be reached: No such file or directory"
    ):
        open_({**bench.spec, "port": "/dev/none"})


def test_a_port_without_parity(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The C library tells when nothing of what was asked could be set."""

    def refuse(*_: object) -> None:
        raise termios.error(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(termios, "tcsetattr", refuse)
    with pytest.raises(HardwareError, match="the port does not take 115200 baud with parity odd"):
        open_({**bench.spec, "parity": "odd"})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"port": None}, "write either serial_number or port"),
        ({"serial_number": "QL7"}, "write either serial_number or port"),
        ({"unit": None}, "no relay on a serial line"),
        ({"coil": "first"}, "no relay on a serial line"),
        ({"baud": "fast"}, "no relay on a serial line"),
        ({"line_delay_s": [0.1]}, "no relay on a serial line"),
    ],
)
def test_a_table_that_is_none(change: dict[str, Any], words: str, bench: Bench) -> None:
    with pytest.raises(InputError, match=words):
        open_({**bench.spec, **change})


# -- the line's own delay --------------------------------------------------------------------------


def test_the_line_is_measured_at_opening(bench: Bench) -> None:
    with open_({**bench.spec, "line_delay_s": None}) as relay:
        assert bench.board.requests == [OFF, READ, *[OFF] * ROUND_TRIPS]
        least, greatest = relay.line_delay_s
        assert least == frame_s(115200)
        assert greatest >= least + silence_s(115200) + LINE_JITTER_S


def test_an_echo_later_than_planned_is_an_error(bench: Bench) -> None:
    with open_({**bench.spec, "line_delay_s": (0.0, -frame_s(115200))}) as relay:
        with pytest.raises(HardwareError, match=r"its echo took \d+ ms where at most 0 ms were expected"):
            relay.set(False)
        assert bench.coils == {COIL: True}
    assert bench.coils == {COIL: False}


def test_a_command_waits_for_its_turn_and_says_how_long(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    neighbour = os.open(bench.board.port, os.O_RDWR | os.O_NOCTTY)
    naps: list[float] = []

    def nap(_seconds: float) -> None:
        naps.append(time.monotonic())
        fcntl.flock(neighbour, fcntl.LOCK_UN)

    with open_(bench.spec) as relay:
        fcntl.flock(neighbour, fcntl.LOCK_SH)
        with monkeypatch.context() as patched:
            patched.setattr(time, "sleep", nap)
            begun = time.monotonic()
            relay.set(False)
        assert len(naps) == 2  # one in waiting, one for the silence that ends the turn
        assert 0 < relay.waited_s < naps[1] - begun
    os.close(neighbour)


def test_a_line_that_another_program_keeps(bench: Bench) -> None:
    with open_(bench.spec) as relay:
        neighbour = os.open(bench.board.port, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(neighbour, fcntl.LOCK_SH)
        with pytest.raises(HardwareError, match="another program holds the line"):
            relay.set(False)
        with pytest.raises(HardwareError, match="cannot be reached: another program holds the line"):
            open_(bench.spec)  # opening drops what was received: it waits for its turn, too
        os.close(neighbour)


def test_two_relays_share_a_line(bench: Bench) -> None:
    with open_(bench.spec) as one, open_({**bench.spec, "coil": 3, "contact": "normally_open"}) as other:
        one.set(False)
        other.set(True)
        assert bench.coils == {COIL: True, 3: True}
        assert (one.read(), other.read()) == (False, True)
    assert bench.coils == {COIL: False, 3: False}


# -- adapters, lost and found ----------------------------------------------------------------------


class Port(NamedTuple):
    device: str
    serial_number: str | None


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> list[Port]:
    """What is plugged in."""
    there = [Port("/dev/ttyS0", None)]
    monkeypatch.setattr(list_ports, "comports", lambda: list(there))
    return there


@pytest.fixture
def numbered(bench: Bench) -> dict[str, Any]:
    return {**bench.spec, "port": None, "serial_number": "QL7"}


def test_an_adapter_is_found_by_its_number(bench: Bench, ports: list[Port], numbered: dict[str, Any]) -> None:
    ports += [Port("/dev/none", "QL8"), Port(bench.board.port, "QL7")]
    with open_(numbered) as relay:
        relay.set(False)
        assert bench.coils == {COIL: True}


@pytest.mark.parametrize(
    ("there", "words"),
    [
        ([], r"no such adapter is plugged in \(there is none with a number\)"),
        ([Port("/dev/a", "QL8")], r"no such adapter is plugged in \(there is QL8 at /dev/a\)"),
        (
            [Port("/dev/b", "QL7"), Port("/dev/a", "QL7")],
            "/dev/a and /dev/b all have the number QL7: write the",
        ),
    ],
)
def test_an_adapter_that_is_not_found(
    there: list[Port], words: str, ports: list[Port], numbered: dict[str, Any]
) -> None:
    ports += there
    with pytest.raises(HardwareError, match=rf"coil 172 \(adapter QL7\): cannot be reached: {words}"):
        open_(numbered)


def test_a_lost_adapter_fails_at_once_and_rest_goes_over_the_new_path(
    bench: Bench, ports: list[Port], numbered: dict[str, Any], opened: list[Any]
) -> None:
    ports.append(Port(bench.board.port, "QL7"))
    relay = open_(numbered)
    relay.set(False)
    bench.board.close()
    opened.remove(bench.board)
    with pytest.raises(HardwareError, match="could not be switched: the adapter is lost"):
        relay.set(True)
    with pytest.raises(HardwareError, match="could not be read: the adapter is lost"):
        relay.read()
    other = bench_of()
    opened.append(other.board)
    assert other.board.port != bench.board.port
    other.coils[COIL] = True
    ports[-1] = Port(other.board.port, "QL7")
    relay.close()
    assert other.board.requests == [OFF]
    with open_(numbered) as again:
        assert again.read() is True


def test_a_lost_adapter_that_does_not_come_back_is_said(bench: Bench, opened: list[Any]) -> None:
    relay = open_(bench.spec)
    relay.set(False)
    bench.board.close()
    opened.remove(bench.board)
    with pytest.raises(
        HardwareError, match=r"could not be told to rest: .*The coil stays as it was: cut the su"
    ):
        relay.close()
    relay.close()


def test_pymodbus_is_not_imported_before_a_line_is_opened() -> None:
    code = "import sys, sequencer.relay.modbus; assert not {'pymodbus', 'serial'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})
