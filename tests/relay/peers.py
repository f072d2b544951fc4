"""What may sit at the other end of a serial line: boards that others wrote, and one that says anything.

A pair of pseudo-terminals by socat stands for line and adapter, and can be pulled out. A pseudo-terminal has
no baud rate: what is sent is there at once. It has no parity either, and the C library refuses one.
"""

from __future__ import annotations

import asyncio
import ctypes
import ctypes.util
import errno
import os
import shutil
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol, Self

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

COILS = 8


def need_debian() -> None:
    """Skip without socat and libmodbus, except in CI."""
    there = shutil.which("socat") and ctypes.util.find_library("modbus")
    if not there and not os.environ.get("CI"):
        pytest.skip("socat or libmodbus is not installed (apt install socat libmodbus5)")


class Wire:
    """A line with an adapter at either end: ``ours`` and ``theirs`` are the ports' paths."""

    def __init__(self, folder: Path) -> None:
        self.ours, self.theirs = folder / "ours", folder / "theirs"
        self.plug_in()

    def plug_in(self) -> None:
        ends = (f"pty,raw,echo=0,link={end}" for end in (self.ours, self.theirs))
        self._socat = subprocess.Popen(["socat", "-d", "-d", *ends], stderr=subprocess.PIPE)
        assert self._socat.stderr is not None
        while b"starting data transfer loop" not in (line := self._socat.stderr.readline()):
            assert line, "socat does not start"

    def pull_out(self) -> None:
        self._socat.kill()
        self._socat.wait()
        assert self._socat.stderr is not None
        self._socat.stderr.close()
        for end in (self.ours, self.theirs):  # or they soon lead to somebody else's pseudo-terminal
            end.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.pull_out()


class Board(Protocol):
    """A board, seen from its own side."""

    def coil(self, number: int) -> bool: ...


_LINE_LOST = {errno.EIO, errno.ECONNRESET, errno.EBADF}


class _Mapping(ctypes.Structure):
    """``modbus_mapping_t`` of <modbus.h>, libmodbus 3.1, as far as the coils."""

    _fields_ = (
        *((f"count{n}", ctypes.c_int) for n in range(8)),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
    )


class LibmodbusBoard:
    """A board by Debian's libmodbus, in a thread. Its coils are read from its own memory.

    It keeps them while the line is gone, and serves again when the line is back.
    """

    def __init__(self, port: Path, unit: int, on_write: Callable[[], None] = lambda: None) -> None:
        lib = ctypes.CDLL(ctypes.util.find_library("modbus"), use_errno=True)
        lib.modbus_new_rtu.restype = ctypes.c_void_p
        lib.modbus_mapping_new.restype = ctypes.POINTER(_Mapping)
        self._lib, self._on_write = lib, on_write
        self._ctx = ctypes.c_void_p(lib.modbus_new_rtu(str(port).encode(), 9600, ctypes.c_char(b"N"), 8, 2))
        self._mapping = lib.modbus_mapping_new(COILS, 0, 0, 0)
        assert lib.modbus_set_slave(self._ctx, unit) == 0
        assert lib.modbus_set_indication_timeout(self._ctx, 0, 50_000) == 0
        assert lib.modbus_connect(self._ctx) == 0, os.strerror(ctypes.get_errno())
        self._stop = threading.Event()
        self.asked_at = 0.0
        """When the question came that is answered now, seconds of CLOCK_MONOTONIC: no coil has changed before."""
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def coil(self, number: int) -> bool:
        return bool(self._mapping.contents.tab_bits[number])

    def _serve(self) -> None:
        query = ctypes.create_string_buffer(256)
        while not self._stop.is_set():
            length = self._lib.modbus_receive(self._ctx, query)
            if length > 0:
                self.asked_at = time.clock_gettime(time.CLOCK_MONOTONIC)
                self._lib.modbus_reply(self._ctx, query, length, self._mapping)
                if query.raw[1] == 5:
                    self._on_write()
            elif length < 0 and ctypes.get_errno() in _LINE_LOST:
                self._lib.modbus_close(self._ctx)
                while not self._stop.wait(0.02) and self._lib.modbus_connect(self._ctx):
                    pass

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._lib.modbus_close(self._ctx)
        self._lib.modbus_mapping_free(self._mapping)
        self._lib.modbus_free(self._ctx)


class PymodbusBoard:
    """A board by pymodbus's own server and simulator, in a thread."""

    def __init__(self, port: Path, unit: int) -> None:
        self._coils = [False] * COILS
        bits, words = DataType.BITS, DataType.REGISTERS
        coils = [SimData(0, count=COILS, values=False, datatype=bits)]
        rest = [SimData(0, count=1, values=False, datatype=bits)], [SimData(0, datatype=words)]
        self._device = SimDevice(unit, simdata=(coils, rest[0], rest[1], [SimData(0, datatype=words)]))
        self._port = str(port)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._await(self._start())

    def coil(self, number: int) -> bool:
        return self._coils[number]

    async def _start(self) -> None:
        self._server = ModbusSerialServer(
            self._device, port=self._port, baudrate=9600, parity="N", stopbits=2, trace_pdu=self._note
        )
        await self._server.serve_forever(background=True)

    def _note(self, sending: bool, pdu: Any) -> Any:
        """What it says that it did."""
        if sending and pdu.function_code == 5:
            self._coils[pdu.address] = pdu.bits[0]
        return pdu

    def _await(self, what: Any) -> None:
        asyncio.run_coroutine_threadsafe(what, self._loop).result(30)

    def close(self) -> None:
        self._await(self._server.shutdown())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


Answer = Callable[[bytes], bytes]


class RawBoard:
    """Whatever ``answer`` makes of each request of eight bytes, and the requests as they came."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.requests: list[bytes] = []
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            request = b""
            while len(request) < 8:
                request += os.read(self._master, 8 - len(request))
                if request.startswith(b"end"):
                    return
            self.requests.append(request)
            os.write(self._master, self.answer(request))

    def close(self) -> None:
        with suppress(OSError):
            os.write(self._slave, b"end")
        self._thread.join()
        os.close(self._slave)
        os.close(self._master)


@contextmanager
def closing_all() -> Iterator[list[Any]]:
    """What is put into the list is closed in the end, the last first."""
    opened: list[Any] = []
    try:
        yield opened
    finally:
        for thing in reversed(opened):
            thing.close()


def crc(frame: bytes) -> bytes:
    """CRC-16 of Modbus over Serial Line V1.02, 6.2.2: polynomial A001, from FFFF, low byte first.

    >>> crc(b"123456789").hex()  # 4B37: the check value of this code in public catalogues of CRCs
    '374b'
    """
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def coil_board(request: bytes, on: dict[int, bool]) -> bytes:
    """What a board answers that does as it is told; ``on`` are its coils."""
    coil = int.from_bytes(request[2:4])
    if request[1] == 5:
        on[coil] = request[4:6] == b"\xff\x00"
        return request
    body = bytes([request[0], 1, 1, on.get(coil, False)])
    return body + crc(body)


def tell_edges(port: Path, unit: int, coil: int) -> None:
    """Be a board until standard input ends, and write a line for each change of a coil: not before and not after
    when, and 1 for on.

    ``python -m tests.relay.peers PORT UNIT COIL``. The first line says that it is there. Seconds of
    CLOCK_MONOTONIC, taken when the question is there, and when the answer is on the line.
    """
    last = False

    def note() -> None:
        nonlocal last
        at, now = time.clock_gettime(time.CLOCK_MONOTONIC), board.coil(coil)
        if now != last:
            last = now
            print(f"{board.asked_at:.6f} {at:.6f} {int(now)}", flush=True)

    with suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
    board = LibmodbusBoard(port, unit, note)
    print("ready", flush=True)
    sys.stdin.read()
    board.close()


if __name__ == "__main__":
    tell_edges(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
