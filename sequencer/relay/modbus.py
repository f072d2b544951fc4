"""A relay on a serial line: a coil of a Modbus RTU board, through pymodbus.

============  ==============================================================================
open          find the port, write the coil off, see its echo, read it back, measure the line
``set``       function 05, write single coil: done when its echo is back
``read``      function 01, read coils
``close``     coil off: on this line, once more, then over the adapter found anew
============  ==============================================================================

Other circuits may share the line from other processes. They take turns: a turn is one question and its
answer, under a lock (``flock``) on the port. What a command waits for its turn is told in ``waited_s``.

No command is repeated during a train, since a repeated one is late. One whose echo comes later than the
line was measured to take may have been late too, and nobody knows how late: that is an error as well.

Standards: Modbus Application Protocol V1.1b3, Modbus over Serial Line V1.02 (11 bits a character: with no
parity there are two stop bits, 2.5.1). pymodbus and pyserial are imported when a relay is opened.

A board that is out of reach keeps its coil as it is: see ``docs/relays.md``.
"""

from __future__ import annotations

import fcntl
import logging
import os
import termios
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from sequencer.errors import HardwareError, InputError
from sequencer.relay.protocol import rests_closed, try_all
from sequencer.train import frame_s, line_delay, silence_s

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from types import TracebackType

TIMEOUT_S = 0.3
"""For an answer, where the site file gives no ``timeout_s``: three times the longest round trip at 2400 baud."""
ROUND_TRIPS = 10
"""How often the line is measured."""
_POLL_S = 0.0005
"""How often a taken line is asked for its turn."""

_REFUSALS = {
    1: "it does not know function {function:02d}",
    2: "it has no coil {coil}",
    3: "it does not take the value",
    4: "it failed at it",
    6: "it is busy",
}
"""Exception codes of the Application Protocol, section 7."""
_UNKNOWN_ADDRESS = 2
_UNKNOWN_FUNCTION = 1


class Place(NamedTuple):
    """Where a coil is: on which line (the adapter's number, or the port's path), which unit, which coil."""

    serial_number: str | None
    port: str | None
    unit: int
    coil: int

    def __str__(self) -> str:
        line = f"adapter {self.serial_number}" if self.port is None else self.port
        return f"relay on unit {self.unit}, coil {self.coil} ({line})"


class Sent(NamedTuple):
    """A question as it went: what came back, how long it waited for its turn, and its round trip."""

    answer: Any
    waited_s: float
    round_trip_s: float


class Line:
    """An open port; every write and read takes its turn with whoever else has it open.

    :raises HardwareError: no such adapter, or the port cannot be opened.
    """

    def __init__(self, place: Place, baud: int, parity: str, timeout_s: float) -> None:
        import serial  # noqa: PLC0415 - only a serial line needs it

        self._baud, self._timeout_s = baud, timeout_s
        path = _port_of(place.serial_number) if place.port is None else place.port
        self._lock = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            with self._turn():  # opening drops what has been received, maybe by somebody else
                self._port = serial.Serial(
                    path,
                    baud,
                    parity=parity[0].upper(),
                    stopbits=2 if parity == "none" else 1,
                    timeout=timeout_s,
                    write_timeout=timeout_s,
                )
            self._client = _client(self._port, timeout_s)
        except termios.error:
            os.close(self._lock)
            raise HardwareError(f"the port does not take {baud} baud with parity {parity}") from None
        except BaseException:
            os.close(self._lock)
            raise

    def write(self, place: Place, on: bool) -> Sent:
        """Function 05. Returns when the echo is back; raises HardwareError when it does not come."""
        sent = self._ask(lambda: self._client.write_coil(place.coil, on, device_id=place.unit))
        answer = sent.answer
        if answer.isError():
            raise HardwareError(_refused(answer, place))
        if answer.function_code != 5 or answer.address != place.coil or answer.bits[:1] != [on]:
            raise HardwareError("its echo is not what was sent: two units with one number, or noise")
        return sent

    def read(self, place: Place) -> bool | None:
        """Function 01: whether the coil is on; None if the board does not know the function."""
        answer = self._ask(lambda: self._client.read_coils(place.coil, device_id=place.unit)).answer
        if answer.isError():
            if answer.exception_code == _UNKNOWN_FUNCTION:
                return None
            raise HardwareError(_refused(answer, place))
        if answer.function_code != 1 or not answer.bits:
            raise HardwareError("its answer is not to the question")
        return bool(answer.bits[0])

    def registers(self, place: Place, table: str, count: int) -> list[int]:
        """Function 04 ("input") or 03 ("holding"): so many registers from ``place.coil`` on, of 16 bits each."""
        ask = self._client.read_input_registers if table == "input" else self._client.read_holding_registers
        answer = self._ask(lambda: ask(place.coil, count=count, device_id=place.unit)).answer
        if answer.isError():
            raise HardwareError(
                f"refused: exception {answer.exception_code}: no such register, or the other table"
            )
        if answer.function_code != (4 if table == "input" else 3) or len(answer.registers) != count:
            raise HardwareError("its answer is not to the question")
        return list(answer.registers)

    def close(self) -> None:
        """Let the port go."""
        try:
            self._port.close()
        finally:
            os.close(self._lock)

    def _ask(self, question: Callable[[], Any]) -> Sent:
        from pymodbus.exceptions import ModbusIOException  # noqa: PLC0415 - imported already

        begun = time.monotonic()
        with self._turn():
            asked = time.monotonic()
            try:
                answer = question()
            except ModbusIOException:
                raise HardwareError(self._silent()) from None
            except OSError as error:
                raise HardwareError(f"the adapter is lost or stuck ({_said(error)})") from error
            answered = time.monotonic()
            time.sleep(silence_s(self._baud))
        return Sent(answer, asked - begun, answered - asked)

    def _silent(self) -> str:
        heard = self._client.heard
        if heard:
            return (
                f"what came back within {self._timeout_s:g} s is no answer ({heard[:16].hex(' ')}): see that "
                "baud and parity are the unit's, and that the line is terminated"
            )
        return (
            f"no answer within {self._timeout_s:g} s: see that the unit has power, that A and B are not "
            "swapped, and that number, baud and parity are the unit's"
        )

    @contextmanager
    def _turn(self) -> Iterator[None]:
        give_up = time.monotonic() + 2 * self._timeout_s
        while True:
            try:
                fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= give_up:
                    raise HardwareError("another program holds the line and does not let it go") from None
                time.sleep(_POLL_S)
        try:
            yield
        finally:
            fcntl.flock(self._lock, fcntl.LOCK_UN)


class ModbusRelay:
    """A contact whose coil is a coil of a Modbus board. The coil is off at rest and when opened.

    :param reach: opens the line; called again when the relay is to rest and the first line is lost.
    :param rests_closed: True for a normally closed contact.
    :param line_delay_s: what the line may take, if that was measured before; else it is measured now.
    :raises HardwareError: the adapter or the unit cannot be reached, or the coil cannot be brought to rest.
    """

    def __init__(
        self,
        place: Place,
        reach: Callable[[], Line],
        *,
        rests_closed: bool,
        baud: int,
        line_delay_s: tuple[float, float] | None = None,
    ) -> None:
        self.rests_closed = rests_closed
        self.notes: tuple[str, ...] = ()
        self.waited_s = 0.0
        self._place, self._reach, self._frame_s = place, reach, frame_s(baud)
        self._shut = False
        self._line: Line | None = self._try("cannot be reached", reach)
        try:
            self._first_of("cannot be told to rest", [self._rest, self._rest])
            if self._try("could not be read", lambda: self._here().read(place)):
                raise HardwareError(f"{place}: was told to rest, but reads that its coil is on")
            if line_delay_s is None:
                trips = [
                    self._try("could not be measured", self._rest).round_trip_s for _ in range(ROUND_TRIPS)
                ]
                line_delay_s = line_delay(baud, trips)
        except BaseException:
            try_all([self._let_go])
            raise
        self.line_delay_s: tuple[float, float] = line_delay_s
        self._answered_s = line_delay_s[1] + self._frame_s
        self.set_takes_s = self._answered_s + silence_s(baud)

    def set(self, closed: bool) -> None:
        """Write the coil. Tried once: an edge that needs a second try is late."""
        sent = self._try(
            "could not be switched", lambda: self._here().write(self._place, closed != self.rests_closed)
        )
        self.waited_s = sent.waited_s
        if sent.round_trip_s > self._answered_s:
            raise HardwareError(
                f"{self._place}: was switched, but its echo took {sent.round_trip_s * 1000:.0f} ms where at "
                f"most {self._answered_s * 1000:.0f} ms were expected: nobody knows when the contact moved"
            )

    def read(self) -> bool | None:
        """The contact's commanded position as the board knows it: a stuck contact does not show."""
        on = self._try("could not be read", lambda: self._here().read(self._place))
        return None if on is None else on != self.rests_closed

    def close(self) -> None:
        """Coil off, by this line or the adapter found anew; then the port is let go."""
        if self._shut:
            return
        self._shut = True
        try:
            self._first_of("could not be told to rest", [self._rest, self._rest, self._rest_anew])
        except HardwareError as error:
            raise HardwareError(
                f"{error}. The coil stays as it was: cut the supply of the relay board and see that the "
                "contact falls back"
            ) from error
        finally:
            try_all([self._let_go])

    def _rest(self) -> Sent:
        return self._here().write(self._place, False)

    def _rest_anew(self) -> Sent:
        try_all([self._let_go])
        self._line = self._reach()
        return self._rest()

    def _let_go(self) -> None:
        line, self._line = self._line, None
        if line is not None:
            line.close()

    def _here(self) -> Line:
        if self._line is None:
            raise HardwareError("already closed; open it again to use it")
        return self._line

    def _try(self, failed: str, way: Callable[[], Any]) -> Any:
        return self._first_of(failed, [way])

    def _first_of(self, failed: str, ways: list[Callable[[], Any]]) -> Any:
        """What the first way that works gives; HardwareError with all that went wrong if none does."""
        said = []
        for way in ways:
            try:
                return way()
            except Exception as error:
                said.append(_said(error))
        raise HardwareError(f"{self._place}: {failed}: {'; '.join(dict.fromkeys(said))}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, object]) -> ModbusRelay:
    """Open from a site file's table, whose keys are checked there; ``line_delay_s`` where it was measured.

    :raises InputError: a key is missing or wrong.
    :raises HardwareError: as :class:`ModbusRelay`.
    """
    at_rest = rests_closed(spec)
    try:
        given: Mapping[str, Any] = spec
        serial_number, port = given.get("serial_number"), given.get("port")
        if (serial_number is None) == (port is None):
            raise InputError("relay: write either serial_number or port")
        place = Place(serial_number, port, int(given["unit"]), int(given["coil"]))
        baud, parity = int(given["baud"]), str(given["parity"])
        timeout_s = float(given.get("timeout_s") or TIMEOUT_S)
        least, greatest = map(float, given.get("line_delay_s") or (-1.0, -1.0))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"relay: this is no relay on a serial line ({type(error).__name__}: {error})"
        ) from error
    return ModbusRelay(
        place,
        lambda: Line(place, baud, parity, timeout_s),
        rests_closed=at_rest,
        baud=baud,
        line_delay_s=None if least < 0 else (least, greatest),
    )


def _port_of(serial_number: str | None) -> str:
    """The path of the one port whose adapter has this number, wherever it is plugged in now."""
    from serial.tools import list_ports  # noqa: PLC0415 - not needed where a path is given

    ports = list_ports.comports()
    found = [port.device for port in ports if port.serial_number == serial_number]
    if len(found) == 1:
        return str(found[0])
    if found:
        raise HardwareError(
            f"{' and '.join(sorted(found))} all have the number {serial_number}: write the port instead, as "
            "it is named in /dev/serial/by-path"
        )
    numbered = sorted(f"{port.serial_number} at {port.device}" for port in ports if port.serial_number)
    there = ", ".join(numbered) or "none with a number"
    raise HardwareError(f"no such adapter is plugged in (there is {there})")


def _client(port: Any, timeout_s: float) -> Any:
    """pymodbus's client for the protocol, on a port that is opened, read and closed here.

    By itself it would take the port for itself alone, open a lost one again in the middle of a train, and
    time its waits by a clock that can be set.
    """
    from pymodbus.client import ModbusSerialClient  # noqa: PLC0415

    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what goes wrong is raised

    class Client(ModbusSerialClient):
        heard = b""
        until = 0.0

        def connect(self) -> bool:
            return True

        def send(self, request: bytes, addr: tuple[Any, ...] | None = None) -> int:  # noqa: ARG002
            port.read(port.in_waiting)  # left over from a question that was given up
            self.heard, self.until = b"", time.monotonic() + timeout_s
            return int(port.write(request))

        def recv(self, size: int | None) -> bytes:  # noqa: ARG002
            if time.monotonic() >= self.until:  # a line that never falls silent
                return b""
            data: bytes = port.read(1)
            data += port.read(port.in_waiting)
            self.heard += data
            return data

    return Client(port.port, timeout=timeout_s, retries=0)


def _refused(answer: Any, place: Place) -> str:
    words = _REFUSALS.get(answer.exception_code, f"exception {answer.exception_code}")
    return "refused: " + words.format(function=answer.function_code & 0x7F, coil=place.coil)


def _said(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
