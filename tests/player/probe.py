"""A relay for tests of real processes: says every command at once on a pipe, where a test waits for it.

Runs in the player's process, under the name "probe". Keys: ``pipe`` and, where the test is to hold the
player up after its first opening, ``gate``: a second pipe that it then reads to its end.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from types import TracebackType


class Probe:
    rests_closed = True
    notes = ("this is a probe",)
    line_delay_s = (0.0, 0.0)
    waited_s = 0.0
    set_takes_s = 0.0

    def __init__(self, pipe: str, gate: str | None, fault_at: int | None) -> None:
        self._pipe = os.open(pipe, os.O_WRONLY)
        self._gate = gate
        self._left = fault_at
        self._shut = False
        self._say(f"pid {os.getpid()}")

    def set(self, closed: bool) -> None:
        if self._left is not None:
            self._left -= 1
            if self._left < 0:
                raise OSError("the probe is told to fail")
        self._say("close" if closed else "open")
        if self._gate is not None and not closed:
            Path(self._gate).read_bytes()
            self._gate = None

    def read(self) -> None:
        return None

    def close(self) -> None:
        if not self._shut:
            self._shut = True
            self._say("rest")
            os.close(self._pipe)

    def _say(self, word: str) -> None:
        os.write(self._pipe, word.encode() + b"\n")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: dict[str, Any]) -> Probe:
    return Probe(spec["pipe"], spec.get("gate"), spec.get("fault_at"))
