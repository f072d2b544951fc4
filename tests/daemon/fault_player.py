"""A player's process in virtual time: the real loop in a thread of its own, of which only one ever runs.

The thread and the world hand each other a baton: while the player runs the world waits, and the other way round.
So nothing is left to chance, and ``play_edges`` runs as it is.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from sequencer.daemon.planning import PlannedTrain
from sequencer.errors import LampstepError
from sequencer.player.job import PlayResult
from sequencer.player.loop import BrokenOff, EndWhenLit
from tests.daemon import fault_daemon
from tests.daemon.fault_points import Fault

if TYPE_CHECKING:
    from tests.daemon.fault_world import World

START_S = 0.1
"""From the daemon's order until the player's loop runs."""
SIGNAL_S = 0.001


class Dead(BaseException):
    """SIGKILL: nothing catches it."""


class Player:
    """One train's process. ``over`` is told how it ended; whoever adopts an orphan replaces it."""

    def __init__(self, world: World, train: PlannedTrain, over: Callable[[PlayResult | str], None]) -> None:
        self.over = over
        self.dead = False
        self.clean = True
        """No fault has struck it."""
        self._world, self._train = world, train
        self._signal: BrokenOff | None = None
        self._token = 0
        self._asleep = False
        self._go, self._back = threading.Semaphore(0), threading.Semaphore(0)
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._body, daemon=True)
        self._thread.start()
        self._resume_at(world.clock.now() + START_S)

    # -- for the world -------------------------------------------------------------------------

    def end(self, *, at_once: bool) -> None:
        """A signal: the train is to end; heard in a wait only."""
        self._signal = BrokenOff("a signal") if at_once else EndWhenLit("a signal")
        if self._asleep:
            self._resume_at(self._world.clock.now() + SIGNAL_S)

    def die(self) -> None:
        """SIGKILL from outside."""
        if not self.dead:
            self.dead = True
            self._resume()

    # -- for the player's thread ---------------------------------------------------------------

    def now(self) -> float:
        """The clock, as the loop reads it."""
        return self._world.clock.now()

    def sleep_until(self, deadline: float) -> None:
        """A wait that a signal ends, and at whose end a fault may strike."""
        if self._signal is None:
            self._asleep = True
            self._wait_until(deadline)
            self._asleep = False
        if self._signal is not None:
            signal, self._signal = self._signal, None
            raise signal
        if (fault := self.struck_by("player wake")) is not None:
            if fault.act == "die":
                self.fall()
            self.wait(fault.for_s)

    def wait(self, seconds: float) -> None:
        """Stand still, whatever signals come."""
        self._wait_until(self._world.clock.now() + seconds)

    def struck_by(self, point: str) -> Fault | None:
        """Pass a point."""
        fault = self._world.points.at(point)  # type: ignore[arg-type]
        self.clean = self.clean and fault is None
        return fault

    def fall(self) -> None:
        """SIGKILL strikes here."""
        self.dead = True
        raise Dead

    def _wait_until(self, deadline: float) -> None:
        self._resume_at(deadline)
        self._back.release()
        self._go.acquire()
        if self.dead:
            raise Dead

    def _resume_at(self, when: float) -> None:
        self._token += 1
        token = self._token

        def resume() -> None:
            if token == self._token and self._thread.is_alive():
                self._resume()

        self._world.at(when, resume)

    def _resume(self) -> None:
        self._token += 1
        self._go.release()
        self._back.acquire()
        if self._failure is not None:
            raise self._failure

    def _body(self) -> None:
        self._go.acquire()
        try:
            result = self._played()
        except Dead:
            result = "the player died"
        except BaseException as error:  # a fault of the model: said by whoever resumed it
            self._failure, result = error, "a fault of the model"
        self.dead = True
        try:
            self._world.player_is_gone(self)
            self.over(result)
        except BaseException as error:
            self._failure = self._failure or error
        self._back.release()

    def _played(self) -> PlayResult | str:
        if self.dead:
            raise Dead
        world = self._world
        world.keep.unlink(missing_ok=True)
        try:
            result = fault_daemon.played(world, self._train, lambda: world.opener("player", self)({}), self)
        except LampstepError as error:
            return str(error)
        fault = self.struck_by("player end")
        if fault is not None and fault.act == "stall":
            self.wait(fault.for_s)
        if fault is not None and fault.act == "die":
            self.fall()
        fault_daemon.kept(world, self._train, result)
        if fault is not None and fault.act == "delay":
            self.wait(fault.for_s)
        if fault is not None and fault.act == "die done":
            self.fall()
        return result
