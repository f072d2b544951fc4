"""A colour sensor on a serial line, by the line protocol of ``docs/colour-sensor.md``.

Plain ASCII lines, each with a checksum, either way:

==============================  ==========================================  =========================
we send                         it answers                                  it means
==============================  ==========================================  =========================
``ID?``                         ``ID,words,1,xyz`` or ``ID,words,1,rgb``    who it is, version, channels
``GO,50``                       ``OK``, then readings                       one every 50 ms, until STOP
..                              ``S,ms,c1,c2,c3``                           a reading, less the dark
..                              ``X,ms,words``                              a reading it could not take
``STOP``                        ``OK``                                      no more readings
anything else                   ``NO,words``                                not understood
==============================  ==========================================  =========================

A damaged line is never guessed at: it counts, and too many of them are an error.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Self

from sequencer.errors import HardwareError
from sequencer.instruments.eyes import Sighting
from sequencer.instruments.light import (
    Reading,
    Space,
    White,
    calibrate,
    is_steady,
    period_of,
    sighting,
    threshold,
)
from sequencer.instruments.line import TextLine

if TYPE_CHECKING:
    from types import TracebackType

EVERY_MS = 50
"""Between readings: twenty a second show any change that an eye sees."""
WHITE_READINGS = 100
MOST_DAMAGED = 0.05
"""Share of lines that may be damaged before a look is an error: more is a wrong baud rate or a bad cable."""
STOP_LINES = 1000
"""Most readings still on their way when it is told to stop."""


def framed(payload: str) -> str:
    """A payload with its checksum: the exclusive or of its characters, two hex digits, as in NMEA 0183.

    >>> framed("GO,50"), framed("STOP")
    ('GO,50*21', 'STOP*18')
    """
    check = 0
    for character in payload.encode("ascii"):
        check ^= character
    return f"{payload}*{check:02X}"


def unframed(line: str) -> str | None:
    """The payload of a line; None when it is damaged."""
    payload, star, _ = line.rpartition("*")
    return payload if star and line.isascii() and framed(payload) == line else None


class ColourSensor:
    """The driver. ``line`` is taken over, and closed with it.

    :param white: what :meth:`white` measured; None: only that can be done.
    :param allowance: CIEDE2000, how far a sound lamp's colour may be from its datasheet's.
    :param still_s: how long a light must stay as it is to be still.
    :param longest_s: how long a moving light is watched for its period.
    """

    def __init__(
        self,
        line: TextLine,
        *,
        white: White | None,
        allowance: float,
        still_s: float,
        longest_s: float,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._line = line
        self._white = white
        self._still_s, self._longest_s = still_s, longest_s
        self._now = now
        self._closed = False
        self._damaged = self._lines = 0
        self.threshold = allowance if white is None else threshold(white, allowance)
        self._line.send(framed("STOP"))  # it may still be sending from a run that was cut off
        self._until_ok()
        fields = self._answer("ID?").split(",")
        if len(fields) != 4 or fields[0] != "ID" or fields[2] != "1" or fields[3] not in {"xyz", "rgb"}:
            raise HardwareError(f"{line.name}: {','.join(fields)[:60]!r} is no answer to ID?")
        self._who = fields[1]
        self.space: Space = "xyz" if fields[3] == "xyz" else "rgb"

    @property
    def notes(self) -> tuple[str, ...]:
        """Who it is, and how many lines were damaged."""
        notes = [f"The sensor says it is {self._who}, {self.space}"]
        if self.space == "rgb":
            notes.append("Its raw RGB counts are taken for linear sRGB: colours are only about right")
        if self._damaged:
            notes.append(f"{self._damaged} of {self._lines} lines from the sensor were damaged and left out")
        return tuple(notes)

    def look(self) -> Sighting:
        """Watch until the light is known to be steady, or its period is known.

        A moving light that does not repeat itself within ``longest_s`` has that for its period: no scene's.
        """
        if self._white is None:
            raise HardwareError(
                f"{self._line.name}: it is not calibrated: run lampstep bench white and put its two lines into [eyes]"
            )
        readings = self._read(self._still_s)
        if is_steady(readings, self._white, self.space):
            return sighting(readings, self._white, self.space, None)
        watch_s = 2 * self._still_s
        while True:
            readings = self._read(min(watch_s, self._longest_s))
            period = period_of(readings, self._white)
            if period is not None or watch_s >= self._longest_s:
                return sighting(readings, self._white, self.space, period or self._longest_s)
            watch_s *= 2

    def white(self) -> White:
        """Calibrate on the light now, which must be the white that colours are to be held against."""
        readings = self._read(WHITE_READINGS * EVERY_MS / 1000)
        try:
            return calibrate(readings, self.space)
        except ValueError as error:
            raise HardwareError(f"{self._line.name}: {error}") from error

    def close(self) -> None:
        """Let the line go."""
        if not self._closed:
            self._closed = True
            self._line.close()

    def _read(self, seconds: float) -> list[Reading]:
        """Readings over so long by the sensor's own clock."""
        answer = self._answer(f"GO,{EVERY_MS}")
        if answer != "OK":
            raise HardwareError(f"{self._line.name}: it refuses to read ({answer[:60]})")
        readings: list[Reading] = []
        damaged = lines = 0
        give_up = self._now() + 2 * seconds + 10
        try:
            while not readings or readings[-1].at_s - readings[0].at_s < seconds:
                if self._now() > give_up:
                    raise HardwareError(f"{self._line.name}: its clock stands still, or it reads too seldom")
                reading = self._reading(unframed(self._line.take()))
                lines += 1
                damaged += reading is None
                if reading is not None:
                    readings.append(reading)
                if damaged > 3 + MOST_DAMAGED * lines:
                    words = "see that the baud rate is the sensor's, and that the cable is sound"
                    raise HardwareError(f"{self._line.name}: {damaged} of {lines} lines are damaged: {words}")
        finally:
            self._lines += lines
            self._damaged += damaged
            self._line.send(framed("STOP"))
            self._until_ok()
        return readings

    def _reading(self, payload: str | None) -> Reading | None:
        if payload is None:
            return None
        kind, *fields = payload.split(",")
        if kind == "X":
            raise HardwareError(f"{self._line.name}: {','.join(fields[1:])[:60] or 'it cannot read'}")
        try:
            ms, *channels = map(float, fields)
        except ValueError:
            return None
        if kind != "S" or len(channels) != 3:
            return None
        return Reading(ms / 1000, (channels[0], channels[1], channels[2]))

    def _answer(self, payload: str) -> str:
        found = unframed(self._line.ask(framed(payload)))
        if found is None:
            raise HardwareError(f"{self._line.name}: its answer to {payload} is damaged")
        return found

    def _until_ok(self) -> None:
        """Take what was still on its way, up to the answer to STOP."""
        for _ in range(STOP_LINES):
            if self._line.take().startswith("OK*"):
                return
        raise HardwareError(f"{self._line.name}: it does not stop reading")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, Any]) -> ColourSensor:
    """Open from a rig file's table, whose keys are checked there. Raises HardwareError."""
    line = TextLine(
        "colour sensor", spec["serial_number"], spec["port"], baud=spec["baud"], timeout_s=spec["timeout_s"]
    )
    white = None if spec["white"] is None else White(spec["white"], spec["spread"])
    try:
        return ColourSensor(
            line,
            white=white,
            allowance=spec["allowance"],
            still_s=spec["still_s"],
            longest_s=spec["longest_s"],
        )
    except BaseException:
        line.close()
        raise
