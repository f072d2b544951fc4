"""A relay without hardware: what ``driver = "simulated"`` plays on, and what tests look into."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

from sequencer.errors import HardwareError, InputError
from sequencer.relay.protocol import rests_closed

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType


class SimulatedRelay:
    """A contact that exists only as a list of its moves.

    :param rests_closed: where it opens and ends.
    :param now: seconds; a virtual clock's in tests.
    :param before: called with each commanded position before it is carried out; what it raises is a
        fault of the hardware.
    :param edges_to: a file that gets :attr:`moves` as JSON when the relay is closed, never before.
    """

    notes: tuple[str, ...] = ()
    line_delay_s = (0.0, 0.0)
    waited_s = 0.0
    set_takes_s = 0.0

    def __init__(
        self,
        *,
        rests_closed: bool = True,
        now: Callable[[], float] = time.monotonic,
        before: Callable[[bool], None] | None = None,
        edges_to: Path | None = None,
    ) -> None:
        self.rests_closed = rests_closed
        self.moves: list[tuple[float, bool]] = [(now(), rests_closed)]
        """(seconds, closed) whenever the contact came to stand otherwise, the opening at rest first."""
        self._now = now
        self._before = before
        self._edges_to = edges_to
        self._shut = False

    def set(self, closed: bool) -> None:
        """Move the contact."""
        self._must_be_open()
        if self._before is not None:
            try:
                self._before(closed)
            except Exception as error:
                raise HardwareError(f"simulated relay: {error}") from error
        self._move(closed)

    def read(self) -> bool | None:
        """Where the contact stands."""
        self._must_be_open()
        return self.moves[-1][1]

    def close(self) -> None:
        """Move to rest (no fault can prevent it) and write ``edges_to``."""
        if self._shut:
            return
        self._shut = True
        self._move(self.rests_closed)
        if self._edges_to is not None:
            try:
                self._edges_to.write_text(json.dumps(self.moves))
            except OSError as error:
                raise HardwareError(f"simulated relay: cannot write its edges: {error}") from error

    def _move(self, closed: bool) -> None:
        if closed != self.moves[-1][1]:
            self.moves.append((self._now(), closed))

    def _must_be_open(self) -> None:
        if self._shut:
            raise HardwareError("simulated relay: already closed; open it again to use it")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, object]) -> SimulatedRelay:
    """Open from a site file's table: ``contact``, and ``edges_to`` where a file of the moves is wanted.

    :raises InputError: a key is missing or wrong.
    """
    edges_to = spec.get("edges_to")
    if edges_to is not None and not isinstance(edges_to, str):
        raise InputError(f"relay: edges_to is {edges_to!r}; write the name of a file")
    return SimulatedRelay(rests_closed=rests_closed(spec), edges_to=Path(edges_to) if edges_to else None)
