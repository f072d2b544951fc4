"""What the kernel can do for punctual edges, each with a plain sentence where it is not permitted.

Figures behind the choices here are in ``docs/measured.md``.
"""

from __future__ import annotations

import ctypes
import os
import signal
import time

from sequencer.player.loop import BrokenOff, EndWhenLit
from sequencer.player.signals import ENDING, SignalWait, name_of

WHEN_LIT = signal.SIGUSR1
"""Ends a train when it is not in a break."""

SPIN_S = 200e-6
"""The last stretch of each wait, spun: it takes the median lateness from 30 us to 1 us."""

# <bits/mman-linux.h>
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4

THREAD_STACK = 256 * 1024
"""Bytes: a pin library's threads need no more, and a locked stack of the usual 8 MB is dear."""


class MonotonicClock:
    """The machine's monotonic clock, whose waits end early, with :class:`BrokenOff`, on :data:`ENDING`.

    Call :func:`block_signals` first, or the signals end the process instead. While a signal of these is blocked
    it can arrive in a wait only: never between an edge and its stamp. :data:`WHEN_LIT` ends no train before the
    lamps are lit.
    """

    def __init__(self) -> None:
        self._signals = SignalWait(ENDING)

    def now(self) -> float:
        """Seconds of ``CLOCK_MONOTONIC``, the same in every process."""
        return time.monotonic()

    def sleep_until(self, deadline: float) -> None:
        """Sleep until shortly before ``deadline``, then spin; look for signals at least once."""
        sent = self._signals.until(deadline - SPIN_S)
        if sent is not None:
            kind = EndWhenLit if sent.number == WHEN_LIT else BrokenOff
            raise kind(f"{name_of(sent.number)} from process {sent.pid}")
        while time.monotonic() < deadline:
            pass


def block_signals() -> None:
    """Keep :data:`ENDING` for the clock's waits, and let the end of a terminal or parent pass unheard.

    To be called before any thread is started (a pin library may start one): threads inherit the mask, and
    a signal to the process goes to any that has it open.
    """
    signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def ask_for_real_time(priority: int) -> tuple[str, ...]:
    """Run this thread at ``SCHED_FIFO`` and lock the memory it touches; return what was not permitted.

    ``MCL_ONFAULT`` (Linux 4.4) locks pages once they are used, not every mapping whole.
    """
    return tuple(filter(None, (_schedule(priority), _lock_memory())))


def _schedule(priority: int) -> str:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        return (
            f"real-time priority {priority} was not permitted ({error.strerror}): edges may come late when "
            "the machine is busy. Run with CAP_SYS_NICE, or a real-time limit (LimitRTPRIO, ulimit -r)"
        )
    return ""


def _lock_memory() -> str:
    try:
        mlockall = ctypes.CDLL(None, use_errno=True).mlockall
    except AttributeError:
        return "memory was not locked: this C library has no mlockall"
    if mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT):
        return (
            f"memory was not locked ({os.strerror(ctypes.get_errno())}): an edge may come late while memory "
            "comes back from disk. Run with CAP_IPC_LOCK, or no limit on it (LimitMEMLOCK, ulimit -l)"
        )
    return ""
