"""The relay's driver, and planner and player as the daemon starts them: every call of theirs is a point."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sequencer.core.actions import PlanTrain
from sequencer.daemon.messages import Message, PlanOver, PlayOver
from sequencer.daemon.planning import PlannedTrain
from sequencer.errors import HardwareError
from sequencer.player.job import PlayResult
from tests.daemon.fault_fleets import planned
from tests.daemon.fault_player import Player
from tests.daemon.fault_points import Killed, Life

if TYPE_CHECKING:
    from tests.daemon.fault_world import World

PLAN_S = 0.4


class FaultyRelay:
    """A relay as a driver gives it: opened at rest, closed at rest, each call a point."""

    notes: tuple[str, ...] = ()
    line_delay_s = (0.0, 0.0)
    waited_s = 0.0
    set_takes_s = 0.0
    rests_closed = True

    def __init__(self, world: World, who: str, life: Any) -> None:
        self.who = who
        self._world, self._life = world, life
        self._shut = self._opened = False
        self._call(True)
        others = {handle.who for handle in world._handles} - {who}
        if others:
            world.say("two", f"{who} opens the relay while {', '.join(others)} has it")
        world._handles.add(self)

    def set(self, closed: bool) -> None:
        """Command the contact."""
        if self._shut:
            raise HardwareError("already closed")
        self._call(closed)

    def read(self) -> bool | None:
        """As commanded, where the line is there."""
        if self._world.clock.now() < self._world.truth.down_until:
            raise HardwareError("no adapter")
        return self._world.truth.closed

    def close(self) -> None:
        """Command rest, and let go."""
        if not self._shut:
            self._shut = True
            self._world._handles.discard(self)
            self._call(True)

    def __enter__(self) -> FaultyRelay:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _call(self, closed: bool) -> None:
        world, life, is_player = self._world, self._life, self.who == "player"
        if life.dead:
            return
        wait = life.wait if is_player else world.advance
        fault = life.struck_by("player driver") if is_player else world.points.at("driver")
        act = fault.act if fault is not None else ""
        if fault is not None and act == "stall":
            wait(fault.for_s)
        if act == "die":
            self._die()
        if fault is not None and act == "line":
            world.truth.down_until = max(world.truth.down_until, world.clock.now() + fault.for_s)
        if world.clock.now() < world.truth.down_until or act == "fail":
            life.clean = False
            raise HardwareError("no adapter")
        self._move(closed)
        if act == "fail done":
            raise HardwareError("no echo")
        if act == "die done":
            self._die()
        if fault is not None and act == "delay":
            wait(fault.for_s)

    def _move(self, closed: bool) -> None:
        world = self._world
        if self.who == "daemon" and world.player is not None and not world.player.dead:
            world.say("two", "the daemon commands a contact that a player has")
        if closed == world.truth.closed:
            return
        if self.who == "player" and not self._opened:
            self._opened = True
            world.truth.stand()
        world.truth.move(closed, self.who, clean=self._life.clean)
        world.moved(self.who, self._life.clean)

    def _die(self) -> None:
        self._life.dead = True
        if self.who == "player":
            self._life.fall()
        raise Killed


class VirtualTrains:
    """Planner and player of one daemon's life."""

    def __init__(self, world: World, life: Life) -> None:
        self._world, self._life = world, life

    def _to_daemon(self, message: Message) -> None:
        if self._world.life is self._life:
            self._world.post(message)

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        """See ``Trains``."""
        found = planned(self._world.number, asked)
        over = PlanOver(circuit, asked.question, found)
        self._world.at(self._world.clock.now() + PLAN_S, lambda: self._to_daemon(over))

    def send(self, circuit: str, train: PlannedTrain) -> None:
        """See ``Trains``."""
        world = self._world
        if world.player is not None:
            world.say("two", "two players on one circuit")
        ended = world.train_begins(train)

        def over(result: PlayResult | str) -> None:
            ended(result)
            self._to_daemon(PlayOver(circuit, result))

        world.player = Player(world, train, over)

    def break_off(self, _circuit: str, *, at_once: bool) -> None:
        """See ``Trains``."""
        if self._world.player is not None:
            self._world.player.end(at_once=at_once)

    def wait_for_orphan(self, circuit: str) -> bool:
        """See ``Trains``."""
        player = self._world.player
        if player is None:
            return False
        player.over = lambda _: self._to_daemon(PlayOver(circuit, None))
        return True
