"""A serial line to one instrument: lines of text there and back, each wait bounded, nothing asked twice."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Self

from sequencer.errors import HardwareError

if TYPE_CHECKING:
    from types import TracebackType

MAX_LINE = 512
"""Longest line taken, bytes: noise never ends one."""


class TextLine:
    """An open port that sends and takes lines.

    ``name`` is what messages call the instrument. The port is taken for this program alone. Raises HardwareError
    when there is no such adapter or port, or it cannot be opened.
    """

    def __init__(
        self,
        name: str,
        serial_number: str | None,
        port: str | None,
        *,
        baud: int,
        timeout_s: float,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        import serial  # noqa: PLC0415 - only a serial line needs it

        self.name = name
        self._now = now
        self._timeout_s = timeout_s
        self._rest = b""
        path = port if port is not None else port_of(name, serial_number)
        try:
            self._port = serial.Serial(path, baud, timeout=timeout_s, write_timeout=timeout_s, exclusive=True)
            self._port.reset_input_buffer()
        except (OSError, ValueError) as error:
            raise HardwareError(f"{name}: {path} cannot be opened: {_said(error)}") from error

    def send(self, text: str) -> None:
        """Send one line; raises HardwareError when the adapter is lost or does not take it in time."""
        try:
            self._port.write(text.encode("ascii") + b"\n")
        except OSError as error:
            raise HardwareError(f"{self.name}: the adapter is lost or stuck ({_said(error)})") from error

    def take(self, within_s: float | None = None) -> str:
        """The next line that comes, without its end; raises HardwareError when none does in time."""
        deadline = self._now() + (self._timeout_s if within_s is None else within_s)
        while b"\n" not in self._rest:
            left = deadline - self._now()
            if left <= 0 or len(self._rest) > MAX_LINE:
                heard = f" (only {self._rest[:32]!r})" if self._rest else ""
                what = "no end of line" if len(self._rest) > MAX_LINE else "no answer"
                self._rest = b""
                raise HardwareError(
                    f"{self.name}: {what} in time{heard}: see that it has power, and that baud and wiring are right"
                )
            try:
                self._port.timeout = left
                self._rest += self._port.read(1)
                self._rest += self._port.read(self._port.in_waiting)
            except OSError as error:
                raise HardwareError(f"{self.name}: the adapter is lost ({_said(error)})") from error
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("ascii", errors="replace").strip("\r")

    def ask(self, text: str, within_s: float | None = None) -> str:
        """One question and its answer; what came before the question is dropped, for it answers nothing."""
        self.drop()
        self.send(text)
        return self.take(within_s)

    def drop(self) -> None:
        """Forget what has come so far."""
        self._rest = b""
        try:
            self._port.reset_input_buffer()
        except OSError as error:
            raise HardwareError(f"{self.name}: the adapter is lost ({_said(error)})") from error

    def close(self) -> None:
        """Let the port go."""
        self._port.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def port_of(name: str, serial_number: str | None) -> str:
    """The path of the one port whose adapter has this number, wherever it is plugged in now."""
    from serial.tools import list_ports  # noqa: PLC0415 - not needed where a path is given

    ports = list_ports.comports()
    found = sorted(port.device for port in ports if port.serial_number == serial_number)
    if len(found) == 1:
        return str(found[0])
    if found:
        raise HardwareError(
            f"{name}: {' and '.join(found)} all have the number {serial_number}: write the port instead, as "
            "it is named in /dev/serial/by-path"
        )
    there = ", ".join(sorted(f"{p.serial_number} at {p.device}" for p in ports if p.serial_number))
    raise HardwareError(f"{name}: no adapter {serial_number} is plugged in (there is {there or 'none'})")


def _said(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
