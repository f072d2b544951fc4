"""The daemon's words to standard error, for which its loop never waits.

Whoever should read them may have stopped reading (a pager, a full disk behind a pipe): then lines are dropped and
counted, and edges, inputs and watchdog go on.
"""

from __future__ import annotations

import logging
import os
import select
import sys
import threading
from contextlib import suppress
from queue import Full, Queue

MOST = 200
"""Lines that wait to be read; later ones are dropped."""
END_S = 1.0
"""For what is left at the end."""


class DroppingHandler(logging.Handler):
    """Writes lines to a descriptor from a thread of its own."""

    def __init__(self, descriptor: int, most: int = MOST) -> None:
        super().__init__()
        self._descriptor = descriptor
        self._lines: Queue[bytes | None] = Queue(most)
        self._dropped = 0
        self._thread = threading.Thread(target=self._work, name="log", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Put a line in the queue, or drop it."""
        try:
            line = self.format(record)
        except (TypeError, ValueError):  # a mistake in the call: better its words than none
            line = str(record.msg)
        try:
            self._lines.put_nowait(line.encode(errors="backslashreplace") + b"\n")
        except Full:
            self._dropped += 1

    def close(self) -> None:
        """Write what is left, as far as somebody reads it within :data:`END_S`."""
        try:
            self._lines.put(None, timeout=END_S)
        except Full:
            pass
        else:
            self._thread.join(END_S)
        super().close()

    def _work(self) -> None:
        while (line := self._lines.get()) is not None:
            with suppress(OSError):  # nobody reads, or the disk behind it is full
                self._write(line)
                if self._lines.empty():
                    self._say_dropped()
        with suppress(OSError):
            self._say_dropped()

    def _say_dropped(self) -> None:
        dropped, self._dropped = self._dropped, 0
        if dropped:
            self._write(b"%d lines were dropped here: nobody read them in time\n" % dropped)

    def _write(self, left: bytes) -> None:
        while left:
            try:
                left = left[os.write(self._descriptor, left) :]
            except BlockingIOError:  # whoever handed it to us had made it so
                select.select((), (self._descriptor,), ())


def log_to_stderr() -> logging.Handler:
    """All loggers to standard error, with the time where nobody else puts it there."""
    terminal = sys.stderr is not None and sys.stderr.isatty()
    try:
        handler: logging.Handler = DroppingHandler(sys.stderr.fileno())
    except (AttributeError, OSError):  # there is none, or it is no file
        handler = logging.StreamHandler() if sys.stderr is not None else logging.NullHandler()
    handler.setFormatter(
        logging.Formatter("%(asctime)s %(message)s" if terminal else "%(message)s", datefmt="%H:%M:%S")
    )
    logging.getLogger().addHandler(handler)
    logging.getLogger("lampstep").setLevel(logging.INFO)
    return handler


def can_be_written(descriptor: int) -> bool:
    """Whether a short line can be written to a descriptor without waiting."""
    poll = select.poll()
    poll.register(descriptor, select.POLLOUT)
    return bool(poll.poll(0))
