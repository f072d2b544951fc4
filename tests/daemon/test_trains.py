"""Trains in threads: each has an end, and is told to end only what was meant to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.core.actions import PlanTrain
from sequencer.daemon import planning, trains
from sequencer.daemon.messages import Message, PlanOver, PlayOver
from sequencer.daemon.planning import PlannedTrain
from sequencer.daemon.trains import ProcessTrains, Wiring
from sequencer.player.job import PlayResult
from sequencer.train import Delays, EdgeLog, Train

if TYPE_CHECKING:
    from pytest_mock import MockerFixture

POOL = "lap-pool"
BOUND_S = 20.0
TRAIN = PlannedTrain(Train(()), ())


class Desk:
    """The trains of one circuit, and what they say."""

    def __init__(self, folder: Path) -> None:
        self.said: SimpleQueue[Message] = SimpleQueue()
        wiring = Wiring({"driver": "simulated"}, Delays((0.0, 0.0), (0.0, 0.0)), folder / "keep.json")
        self.trains = ProcessTrains(folder / "site.toml", {POOL: wiring}, self.said.put)

    def next(self) -> Message:
        return self.said.get(timeout=BOUND_S)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_a_fault_that_nobody_thought_of_is_an_end_all_the_same(desk: Desk, mocker: MockerFixture) -> None:
    mocker.patch.object(trains, "play", side_effect=OSError("no more files"))
    desk.trains.send(POOL, TRAIN)
    assert desk.next() == PlayOver(POOL, "OSError: no more files")
    mocker.patch.object(trains, "plan_apart", side_effect=RuntimeError("no more threads"))
    desk.trains.plan(POOL, PlanTrain(3, "evening", "cut", {}, "", {}))
    assert desk.next() == PlanOver(POOL, 3, "RuntimeError: no more threads", fault=True)


def test_where_no_thread_is_to_be_had_the_loop_is_told_and_lives_on(
    desk: Desk, mocker: MockerFixture
) -> None:
    """As at the unit's TasksMax."""
    mocker.patch.object(trains.threading.Thread, "start", side_effect=RuntimeError("can't start new thread"))
    desk.trains.send(POOL, TRAIN)
    assert desk.next() == PlayOver(POOL, "RuntimeError: can't start new thread")
    desk.trains.plan(POOL, PlanTrain(3, "evening", "cut", {}, "", {}))
    assert desk.next() == PlanOver(POOL, 3, "RuntimeError: can't start new thread", fault=True)


def test_a_word_that_came_after_the_end_of_one_train_does_not_end_the_next(
    desk: Desk, mocker: MockerFixture
) -> None:
    told: list[int] = []

    def play(*_: Any, on_child: Callable[[Callable[[int], None]], None], **__: Any) -> PlayResult:
        on_child(told.append)
        return PlayResult(EdgeLog((), "finished"), 0.0, 0.0)

    mocker.patch.object(trains, "play", play)
    desk.trains.send(POOL, TRAIN)
    desk.next()
    desk.trains.break_off(POOL, at_once=False)
    desk.trains.send(POOL, TRAIN)
    desk.next()
    assert told == []


def test_of_several_flicks_in_a_row_only_the_last_is_searched_for(desk: Desk, mocker: MockerFixture) -> None:
    mocker.patch.object(planning, "COMMAND", ("/bin/sleep", "600"))
    for question in (1, 2, 3):
        desk.trains.plan(POOL, PlanTrain(question, "evening", "cut", {}, "", {}))
    ended = [desk.next(), desk.next()]
    assert sorted(over.question for over in ended if isinstance(over, PlanOver) and over.fault) == [1, 2]
    desk.trains.plan(POOL, PlanTrain(4, "evening", "cut", {}, "", {}))
    last = desk.next()
    assert isinstance(last, PlanOver)
    assert last.question == 3
    mocker.patch.object(planning, "COMMAND", ("/bin/true",))
    desk.trains.plan(POOL, PlanTrain(5, "evening", "cut", {}, "", {}))
    assert {desk.next().question, desk.next().question} == {4, 5}  # type: ignore[union-attr]
