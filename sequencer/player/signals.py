"""Signals: which end a process of this program, what they are called, and how to wait for them."""

from __future__ import annotations

import ctypes
import errno
import os
import signal
import time
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable

HARMLESS = frozenset(
    {
        signal.SIGKILL,  # cannot be caught, nor can SIGSTOP
        signal.SIGSTOP,
        signal.SIGCHLD,  # by default nothing happens at these four
        signal.SIGCONT,
        signal.SIGURG,
        signal.SIGWINCH,
        signal.SIGTSTP,  # these three stop the process and do not end it
        signal.SIGTTIN,
        signal.SIGTTOU,
        signal.SIGPIPE,  # Python ignores these two: the write that caused them says so
        signal.SIGXFSZ,
    }
)
"""Signals that end no process of this program, or that no process can do anything about (signal(7))."""
FAULTS = frozenset(
    {
        signal.SIGSEGV,
        signal.SIGBUS,
        signal.SIGFPE,
        signal.SIGILL,
        signal.SIGSYS,
        signal.SIGTRAP,
        signal.SIGABRT,
    }
)
"""What the kernel sends for a fault in the program itself; a handler would return into the same fault."""
ENDING: frozenset[int] = frozenset(signal.valid_signals()) - HARMLESS - {signal.SIGHUP}
"""Signals that end a train, real-time ones included. A hang-up does not: the player needs no terminal."""
STOPPING: frozenset[int] = (ENDING | {signal.SIGHUP}) - FAULTS
"""Signals that stop a daemon."""


def name_of(number: int) -> str:
    """What a signal is called; most real-time signals are called by their place (signal(7)).

    >>> name_of(15), name_of(signal.SIGRTMIN + 1), name_of(-1)
    ('SIGTERM', 'SIGRTMIN+1', '-1')
    """
    try:
        return signal.Signals(number).name
    except ValueError:
        place = number - signal.SIGRTMIN
        return f"SIGRTMIN+{place}" if 0 < place < signal.SIGRTMAX - signal.SIGRTMIN else str(number)


class Sent(NamedTuple):
    """A signal that came, and the process that sent it (0: the kernel)."""

    number: int
    pid: int


class _Timespec(ctypes.Structure):
    _fields_ = (("tv_sec", ctypes.c_long), ("tv_nsec", ctypes.c_long))


class _Fields(ctypes.Union):
    _fields_ = (("pid", ctypes.c_int), ("_size", ctypes.c_void_p * 14))


class _Siginfo(ctypes.Structure):  # sigaction(2); 128 bytes
    _fields_ = (
        ("signo", ctypes.c_int),
        ("errno", ctypes.c_int),
        ("code", ctypes.c_int),
        ("fields", _Fields),
    )


class SignalWait:
    """Waits for signals that are blocked.

    ``signal.sigtimedwait`` of Python 3.11 cannot be used: if the process is stopped in the wait (SIGSTOP) and
    continued after its end, it returns memory that nobody has written as if a signal had come.
    """

    def __init__(self, numbers: Iterable[int]) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._sigtimedwait = libc.sigtimedwait
        self._set = ctypes.create_string_buffer(128)  # sizeof(sigset_t) of the C libraries of Linux
        self._info, self._timeout = _Siginfo(), _Timespec()
        libc.sigemptyset(self._set)
        for number in numbers:
            libc.sigaddset(self._set, number)

    def until(self, deadline: float) -> Sent | None:
        """Wait until a moment of the monotonic clock; None when no signal came. Looks at least once.

        :raises OSError: the kernel refuses to wait.
        """
        while True:
            left_s = max(0.0, deadline - time.monotonic())
            self._timeout.tv_sec = int(left_s)
            self._timeout.tv_nsec = int(left_s % 1.0 * 1e9)
            number = self._sigtimedwait(self._set, ctypes.byref(self._info), ctypes.byref(self._timeout))
            if number > 0:
                return Sent(number, self._info.fields.pid)
            if (failed := ctypes.get_errno()) == errno.EAGAIN:
                return None
            if failed != errno.EINTR:
                raise OSError(failed, os.strerror(failed))
