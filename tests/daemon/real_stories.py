"""Stories of real processes: what is stopped, killed, slowed or pulled out, at moments drawn from the pad's seed.

Each begins with all lamps matched and ends when the world is quiet again: everything runs, the line is there, the
switch is on. What the daemon said all the while is held against the lamps afterwards.
"""

from __future__ import annotations

import signal
import time
from collections.abc import Callable, Mapping
from functools import partial

from tests.daemon.real import kill, wait_for
from tests.daemon.real_pad import Pad

Story = Callable[[Pad, float], None]
SYNCS = 2
"""Of the disk, between the switch's off and the command to open."""


def _telling_s(pad: Pad, longest_s: float) -> float:
    """A time: any, or a little more than what the lamps take for a certain power-down."""
    if pad.rng.random() < 0.6:
        return min(longest_s, pad.power_down_s + pad.rng.uniform(0, 2))
    return pad.rng.uniform(0.5, longest_s)


def stall_between_off_and_on(pad: Pad, longest_s: float) -> None:
    """The switch goes off, the daemon is stopped before or after it has opened the contact, the switch goes on."""
    pad.switch(False)
    if pad.rng.random() < 0.3:
        pad.dark()
    pad.pause(0, pad.rng.choice([0.0, 0.02]))
    pad.signal(signal.SIGSTOP)
    stall_s = _telling_s(pad, longest_s)
    begun = time.monotonic()
    pad.pause(0, stall_s)
    thread = pad.meanwhile(lambda: pad.switch(True))
    time.sleep(max(0.0, begun + stall_s - time.monotonic()))
    pad.signal(signal.SIGCONT)
    thread.join()


def slow_disk_between_off_and_on(pad: Pad, longest_s: float) -> None:
    """Each sync of the disk takes long while the switch goes off and on, or only the first of them do."""
    takes_s = _telling_s(pad, longest_s) / SYNCS
    pad.disk.takes(takes_s)
    pad.switch(False)
    if pad.rng.random() < 0.3:
        pad.dark()
    else:
        pad.pause(0, SYNCS * takes_s)
    if pad.rng.random() < 0.7:
        pad.disk.takes(0.0)
    pad.pause(0, 0.5)
    pad.switch(True)
    pad.pause(0, takes_s)
    pad.disk.takes(0.0)


def slow_disk_in_a_train(pad: Pad, longest_s: float) -> None:
    """Each sync takes long for the time of a train, or from some moment of it on."""
    takes_s = pad.rng.uniform(0.2, longest_s / 3)
    if pad.rng.random() < 0.5:
        pad.disk.takes(takes_s)
    pad.moment(pad.train())
    pad.disk.takes(takes_s)
    pad.pause(0, 2 * takes_s)
    pad.disk.takes(0.0)


def line_lost_in_a_train(pad: Pad, longest_s: float) -> None:
    """The adapter is pulled out at some moment of a train, and plugged in again."""
    pad.moment(pad.train(), in_break=0.8)
    pad.wire.pull_out()
    least_s, most_s = pad.rng.choice([(0.02, 0.3), (0.02, longest_s / 3), (longest_s / 3, longest_s)])
    pad.pause(least_s, most_s)
    pad.wire.plug_in()


def line_lost_while_dark(pad: Pad, longest_s: float) -> None:
    """The adapter is pulled out while the switch is off, and plugged in before or after the switch goes on."""
    pad.switch(False)
    pad.dark()
    pad.pause(0, 0.5)
    pad.wire.pull_out()
    pad.pause(0, longest_s / 3)
    if pad.rng.random() < 0.5:
        thread = pad.meanwhile(lambda: pad.switch(True))
        pad.pause(0, longest_s / 3)
        pad.wire.plug_in()
        thread.join()
    else:
        pad.wire.plug_in()
        pad.pause(0, longest_s / 3)
        pad.switch(True)


def two_trains(pad: Pad, _longest_s: float) -> None:
    """No fault: a train, and the next as soon as it has held, or at some moment of the first."""
    player = pad.train()
    if pad.rng.random() < 0.5:
        pad.moment(player)
    else:
        pad.matches(time.monotonic(), 60)
    pad.train()
    if pad.rng.random() < 0.3:
        pad.ask(do="touch", line="button", active=True)
        pad.pause(0.05, 0.3)
        pad.ask(do="touch", line="button", active=False)


def stopped_in_a_train(who: str, pad: Pad, longest_s: float) -> None:
    """SIGSTOP of the player, the daemon or both, and SIGCONT."""
    player = pad.train()
    pad.moment(player)
    stopped = [None, player] if who == "both" else [player if who == "player" else None]
    for pid in stopped:
        pad.signal(signal.SIGSTOP, pid)
    pad.pause(0.05, longest_s)
    pad.rng.shuffle(stopped)
    for pid in stopped:
        pad.signal(signal.SIGCONT, pid)
        pad.pause(0, 0.3)


def killed_in_a_train(who: str, pad: Pad, longest_s: float) -> None:
    """SIGKILL of the player, the daemon or both; the daemon is started again, at once or later."""
    player = pad.train()
    pad.moment(player)
    if who != "player":
        pad.daemon.kill()
    if who != "daemon":
        kill(player)
    if who != "player":
        pad.pause(0, pad.rng.choice([0, longest_s]))
        pad.daemon.start()


def killed_while_dark(pad: Pad, longest_s: float) -> None:
    """SIGKILL of a daemon that holds the contact open, and a new start."""
    pad.switch(False)
    pad.dark()
    pad.pause(0, longest_s / 3)
    pad.daemon.kill()
    pad.pause(0, longest_s / 3)
    pad.daemon.start()


def ended_while_dark(pad: Pad, longest_s: float) -> None:
    """SIGHUP, SIGQUIT or SIGTERM while the contact is held open: it goes to its rest before the daemon ends."""
    pad.switch(False)
    pad.dark()
    pad.pause(0, longest_s / 3)
    number = pad.rng.choice([signal.SIGHUP, signal.SIGQUIT, signal.SIGTERM])
    pad.signal(number)
    assert pad.daemon.process is not None
    process = pad.daemon.process
    wait_for(f"the end by {number.name}", lambda: process.poll() is not None)
    if pad.energised():
        pad.trouble.append(f"{number.name} while dark left the coil energised")
    pad.daemon.start()


KINDS: Mapping[str, Story] = {
    "daemon stopped between off and on": stall_between_off_and_on,
    "slow disk between off and on": slow_disk_between_off_and_on,
    "slow disk in a train": slow_disk_in_a_train,
    "line lost in a train": line_lost_in_a_train,
    "line lost while dark": line_lost_while_dark,
    "two trains in a row, no fault": two_trains,
    "SIGSTOP of player in a train": partial(stopped_in_a_train, "player"),
    "SIGSTOP of daemon in a train": partial(stopped_in_a_train, "daemon"),
    "SIGSTOP of both in a train": partial(stopped_in_a_train, "both"),
    "SIGKILL of player in a train": partial(killed_in_a_train, "player"),
    "SIGKILL of daemon in a train": partial(killed_in_a_train, "daemon"),
    "SIGKILL of both in a train": partial(killed_in_a_train, "both"),
    "SIGKILL of daemon while dark": killed_while_dark,
    "daemon ended while dark": ended_while_dark,
}
