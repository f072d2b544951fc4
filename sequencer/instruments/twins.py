"""Simulated twins of the instruments: each at its own end of a real pseudo-terminal, so that the driver under test
is the driver used. A pseudo-terminal has no baud rate, no parity, and no cable to pull out half-way."""

from __future__ import annotations

import os
import select
import threading
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable
from random import Random
from typing import TYPE_CHECKING, Self

from sequencer.instruments.sensor import framed, unframed

if TYPE_CHECKING:
    from types import TracebackType

    from sequencer.instruments.light import Space, Triple

_BREATH_S = 0.05
"""How long it waits for a word before it sees whether it is to end."""


class Twin(ABC):
    """Something at the far end of a pseudo-terminal, in a thread of its own. ``port`` is the near end's path."""

    def __init__(self) -> None:
        self._far, near = os.openpty()
        tty.setraw(near)
        self.port = os.ttyname(near)
        self._near = near  # kept open, or the far end would see a hang-up between two drivers
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    @abstractmethod
    def heard(self, data: bytes) -> bytes:
        """What it answers to what came just now."""

    def idle(self) -> bytes:
        """What it says unasked."""
        return b""

    def _run(self) -> None:
        while not self._ending.is_set():
            unasked = self.idle()
            ready, writable, _ = select.select([self._far], [self._far] if unasked else [], [], _BREATH_S)
            answer = self.heard(os.read(self._far, 4096)) if ready else b""
            if answer:
                os.write(self._far, answer)
            elif unasked and writable:
                os.write(self._far, unasked)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._far)
        os.close(self._near)


class Talker(Twin):
    """A twin that speaks lines."""

    def __init__(self) -> None:
        super().__init__()
        self._partial = b""

    @abstractmethod
    def line(self, text: str) -> str | None:
        """The answer to one line, None for none."""

    def heard(self, data: bytes) -> bytes:
        """Whole lines, each answered."""
        *lines, self._partial = (self._partial + data).split(b"\n")
        answers = (self.line(line.decode("ascii", "replace").strip()) for line in lines)
        return b"".join(answer.encode("ascii") + b"\r\n" for answer in answers if answer is not None)


class SimulatedSensor(Talker):
    """A colour sensor before ``light(seconds)``, whose own clock runs as fast as its readings are taken.

    ``noise`` is each channel's standard deviation as a share of the reading; one line in ``damaged`` loses a
    character (0: none).
    """

    def __init__(
        self,
        light: Callable[[float], Triple],
        space: Space = "xyz",
        *,
        noise: float = 0.0,
        damaged: int = 0,
        seed: int = 0,
    ) -> None:
        super().__init__()
        self._light, self._space = light, space
        self._noise, self._damaged = noise, damaged
        self._chance = Random(seed)  # noqa: S311 - a simulation's
        self._every_ms = 0
        self._ms = self._said = 0

    def line(self, text: str) -> str | None:
        """ID?, GO and STOP."""
        payload = unframed(text)
        if payload == "ID?":
            return framed(f"ID,simulated,1,{self._space}")
        if payload == "STOP":
            self._every_ms = 0
            return framed("OK")
        if payload is not None and payload.startswith("GO,") and payload[3:].isdecimal():
            self._every_ms = int(payload[3:])
            return framed("OK")
        return framed("NO,not understood")

    def idle(self) -> bytes:
        """A reading, if it was told to read."""
        if not self._every_ms:
            return b""
        self._ms += self._every_ms
        self._said += 1
        channels = (c * (1 + self._chance.gauss(0, self._noise)) for c in self._light(self._ms / 1000))
        text = framed(",".join(["S", str(self._ms), *(f"{c:.4f}" for c in channels)]))
        if self._damaged and self._said % self._damaged == 0:
            text = text[:5] + text[6:]
        return text.encode("ascii") + b"\r\n"


class SimulatedScpi(Talker):
    """A supply that knows the commands of the driver and no others."""

    def __init__(self, volts: tuple[float, float] = (0.0, 32.0)) -> None:
        super().__init__()
        self.volts = 0.0
        self.on = False
        self._range = volts
        self._events = 0
        self._errors: list[str] = []

    def line(self, text: str) -> str | None:
        """One command."""
        word, _, value = text.partition(" ")
        answers = {
            "*IDN?": "lampstep,simulated supply,0,1",
            "*OPC?": "1",
            "VOLT?": f"{self.volts:.3f}",
            "OUTP?": str(int(self.on)),
        }
        if text in answers:
            return answers[text]
        if text == "*ESR?":
            events, self._events = self._events, 0
            return str(events)
        if text == "SYST:ERR?":
            return self._errors.pop(0) if self._errors else '0,"No error"'
        if text in {"*CLS", "*RST"}:
            self._events, self._errors = 0, []
        elif word == "VOLT" and self._range[0] <= float(value) <= self._range[1]:
            self.volts = float(value)
        elif word == "VOLT":
            self._wrong(1 << 4, '-222,"Data out of range"')
        elif word == "OUTP":
            self.on = value in {"1", "ON"}
        else:
            self._wrong(1 << 5, '-113,"Undefined header"')
        return None

    def _wrong(self, event: int, error: str) -> None:
        self._events |= event
        self._errors.append(error)


class SimulatedMeter(Twin):
    """A Modbus unit whose registers all hold ``counts()``; functions 03 and 04, one register at a time."""

    def __init__(self, counts: Callable[[], int], unit: int = 1) -> None:
        super().__init__()
        self._counts, self._unit = counts, unit
        self._partial = b""

    def heard(self, data: bytes) -> bytes:
        """A frame of eight bytes, answered if it is for this unit and whole."""
        from pymodbus.framer import FramerRTU  # noqa: PLC0415 - only a meter needs it

        self._partial += data
        if len(self._partial) < 8:
            return b""
        frame, self._partial = self._partial[:8], b""
        crc = FramerRTU.compute_CRC(frame[:6]).to_bytes(2, "big")
        if frame[0] != self._unit or frame[6:] != crc:
            return b""
        body = frame[:2] + (b"\x02" + self._counts().to_bytes(2, "big") if frame[1] in {3, 4} else b"")
        if frame[1] not in {3, 4}:
            body = bytes([frame[0], frame[1] | 0x80, 1])
        return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
