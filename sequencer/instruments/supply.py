"""A programmable supply that understands SCPI, on a serial line.

==========  =======================================================================================
open        ``*CLS``, ``*IDN?``, and what is said to be wrong; the output is left as it is
``set``     ``VOLT``, the first time ``OUTP 1``, each then ``*ESR?`` and, if a bit says so, ``SYST:ERR?``;
            ``*OPC?``; ``VOLT?`` read back
``close``   ``OUTP 0``
==========  =======================================================================================

Commands: IEEE 488.2, 10 (common commands) and 11.5.1 (standard event status register, bits 2 to 5 are errors);
SCPI-1999, volumes 2 (SOURce:VOLTage, OUTPut) and 1 (SYSTem:ERRor); the clauses are from memory. A setting is not
repeated when it fails: whoever asked decides.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Protocol, Self

from sequencer.errors import HardwareError
from sequencer.instruments.line import TextLine

if TYPE_CHECKING:
    from types import TracebackType

EVENTS = {2: "query error", 3: "device error", 4: "execution error", 5: "command error"}
"""Bits of the standard event status register that are errors (IEEE 488.2)."""
READ_BACK_V = 0.05
"""How far the volts read back may be from those set: a supply rounds to its own step."""
MAX_ERRORS = 20
"""Most errors that are read out of an instrument's queue."""


class Supply(Protocol):
    """What feeds the lamp, where it can be set."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know, a sentence each."""

    def set(self, volts: float) -> None:
        """Have this at the output, on, and settled. Raises HardwareError."""

    def close(self) -> None:
        """Output off; again does nothing."""


class ScpiSupply:
    """The driver. ``line`` is taken over, and closed with it."""

    def __init__(
        self,
        line: TextLine,
        *,
        settle_s: float = 0.5,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._line = line
        self._settle_s = settle_s
        self._sleep = sleep
        self._on = False
        self._closed = False
        line.send("*CLS")
        self.identity = line.ask("*IDN?")
        if self.identity.count(",") != 3:
            words = "*IDN? gives four fields with commas between them (IEEE 488.2)"
            raise HardwareError(f"{line.name}: {self.identity[:60]!r} is no answer to *IDN?: {words}")
        self._check("*IDN?")

    @property
    def notes(self) -> tuple[str, ...]:
        """Which instrument it is."""
        return (f"The supply says it is {self.identity}",)

    def set(self, volts: float) -> None:
        """Set, switch on, wait until it says that it is done, read back, and let it settle."""
        self._line.send(f"VOLT {volts:.3f}")
        self._check(f"VOLT {volts:.3f}")
        if not self._on:
            self._line.send("OUTP 1")
            self._check("OUTP 1")
            self._on = True
        if (done := self._line.ask("*OPC?")).strip() not in {"1", "+1"}:
            raise HardwareError(f"{self._line.name}: {done[:40]!r} is no answer to *OPC?")
        stands = self._number("VOLT?")
        if abs(stands - volts) > READ_BACK_V:
            raise HardwareError(f"{self._line.name}: told {volts:.3f} V, it says {stands:.3f} V")
        self._sleep(self._settle_s)

    def close(self) -> None:
        """Off, whatever came before, and the line let go."""
        if self._closed:
            return
        self._closed = True
        try:
            self._line.send("OUTP 0")
            self._line.ask("*OPC?")
        finally:
            self._line.close()

    def _number(self, question: str) -> float:
        answer = self._line.ask(question)
        try:
            return float(answer)
        except ValueError:
            raise HardwareError(f"{self._line.name}: {answer[:40]!r} is no answer to {question}") from None

    def _check(self, said: str) -> None:
        """Raise what the instrument says went wrong with what was just said."""
        status = int(self._number("*ESR?"))
        events = [words for bit, words in EVENTS.items() if status >> bit & 1]
        if not events:
            return
        errors = []
        for _ in range(MAX_ERRORS):
            error = self._line.ask("SYST:ERR?")
            number = error.partition(",")[0].strip().lstrip("+")
            if number == "0":
                break
            errors.append(error)
        words = "; ".join(errors) or "it does not say which"
        raise HardwareError(f"{self._line.name}: {' and '.join(events)} after {said} ({words})")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, Any]) -> ScpiSupply:
    """Open from a rig file's table, whose keys are checked there. Raises HardwareError."""
    line = TextLine(
        "supply", spec["serial_number"], spec["port"], baud=spec["baud"], timeout_s=spec["timeout_s"]
    )
    try:
        return ScpiSupply(line, settle_s=spec["settle_s"])
    except BaseException:
        line.close()
        raise
