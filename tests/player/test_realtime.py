"""What the kernel grants and refuses, and waits that a signal ends."""

from __future__ import annotations

import ctypes
import errno
import os
import re
import signal
import threading
from typing import TYPE_CHECKING

import pytest

from sequencer.player.loop import BrokenOff
from sequencer.player.realtime import MonotonicClock, ask_for_real_time, block_signals
from sequencer.player.signals import ENDING, HARMLESS, name_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pytest_mock import MockerFixture

FOREVER = 1e6


@pytest.fixture
def signals_blocked() -> Iterator[None]:
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    ignored = {number: signal.getsignal(number) for number in (signal.SIGHUP, signal.SIGPIPE)}
    block_signals()
    yield
    for number, handler in ignored.items():
        signal.signal(number, handler)
    signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def test_granted_says_nothing(mocker: MockerFixture) -> None:
    schedule = mocker.patch("os.sched_setscheduler")
    libc = mocker.patch.object(ctypes, "CDLL").return_value
    libc.mlockall.return_value = 0
    assert ask_for_real_time(60) == ()
    (_, policy, parameter), _ = schedule.call_args
    assert (policy, parameter.sched_priority) == (os.SCHED_FIFO, 60)
    libc.mlockall.assert_called_once_with(1 | 2 | 4)  # MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT


def test_refused_says_what_and_what_to_do(mocker: MockerFixture) -> None:
    mocker.patch("os.sched_setscheduler", side_effect=PermissionError(errno.EPERM, "Operation not permitted"))
    mocker.patch.object(ctypes, "CDLL").return_value.mlockall.return_value = -1
    mocker.patch.object(ctypes, "get_errno", return_value=errno.ENOMEM)
    scheduling, memory = ask_for_real_time(60)
    assert scheduling.startswith("real-time priority 60 was not permitted (Operation not permitted)")
    assert "CAP_SYS_NICE" in scheduling
    assert memory.startswith("memory was not locked (Cannot allocate memory)")
    assert "CAP_IPC_LOCK" in memory


def test_no_mlockall_is_said(mocker: MockerFixture) -> None:
    mocker.patch("os.sched_setscheduler")
    mocker.patch.object(ctypes, "CDLL", return_value=object())
    assert ask_for_real_time(60) == ("memory was not locked: this C library has no mlockall",)


def test_a_deadline_in_the_past_is_no_wait() -> None:
    clock = MonotonicClock()
    before = clock.now()
    clock.sleep_until(before - FOREVER)


def test_returns_at_the_deadline_and_not_before() -> None:
    clock = MonotonicClock()
    deadline = clock.now() + 0.001
    clock.sleep_until(deadline)
    assert clock.now() >= deadline


@pytest.mark.usefixtures("signals_blocked")
@pytest.mark.parametrize("number", sorted(ENDING), ids=name_of)
def test_a_signal_ends_the_wait_and_says_who_sent_it(number: int) -> None:
    signal.pthread_kill(threading.get_ident(), number)
    with pytest.raises(BrokenOff, match=f"{re.escape(name_of(number))} from process {os.getpid()}"):
        MonotonicClock().sleep_until(FOREVER * 1e3)


@pytest.mark.usefixtures("signals_blocked")
def test_a_signal_is_not_overlooked_by_a_late_edge() -> None:
    signal.pthread_kill(threading.get_ident(), signal.SIGTERM)
    with pytest.raises(BrokenOff, match="SIGTERM"):
        MonotonicClock().sleep_until(0.0)


def test_every_signal_that_would_end_the_player_is_waited_for_or_ignored() -> None:
    """signal(7) has the default of each: what is in no set here would end the player in a break."""
    assert set(signal.valid_signals()) == ENDING | HARMLESS | {signal.SIGHUP}


@pytest.mark.usefixtures("signals_blocked")
def test_a_hang_up_passes_unheard() -> None:
    os.kill(os.getpid(), signal.SIGHUP)
    os.kill(os.getpid(), signal.SIGPIPE)
    MonotonicClock().sleep_until(0.0)
