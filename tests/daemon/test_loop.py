"""The loop with two circuits: whose turn it is, and which of several answers is sent."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from sequencer.clock import VirtualClock
from sequencer.core import events as on
from sequencer.core.actions import PlanTrain
from sequencer.core.carried import Carried
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Happened, Message, PlanOver, PlayOver
from sequencer.daemon.notify import Notifier
from sequencer.daemon.orders import rules_for
from sequencer.daemon.planning import PlannedTrain
from sequencer.daemon.records import Recorder
from sequencer.daemon.serve import _Pad, first_state
from sequencer.daemon.wallclock import Look
from sequencer.player.job import PlayResult
from sequencer.sitefile import load_site
from sequencer.train import EdgeLog, Pulse, Stamp, Train

LIDO = Path(__file__).parents[2] / "config" / "quarry-lane.toml"
LAP, PLUNGE = "lap-pool", "plunge-pool"


class Board:
    """Takes what the loop asks for, and lets the test answer."""

    watchdog_period_s: float | None = None
    trouble = ""

    def __init__(self, folder: Path) -> None:
        self.clock = VirtualClock(1000.0)
        self.asked: list[tuple[str, PlanTrain]] = []
        self.sent: list[tuple[str, PlannedTrain]] = []
        self.mail: list[Message] = []
        pad = load_site(LIDO, standing=True)
        states = {
            each.name: first_state(rules_for(pad, each), Carried(), self.clock.now()) for each in pad.circuits
        }
        ports = Ports(
            now=self.clock.now,
            next_message=lambda _: self.mail.pop(0) if self.mail else None,
            recorder=Recorder(self, {name: folder / name for name in states}, lambda _: None),
            trains=self,
            contacts=self,
            indicate=lambda *_: None,
            word=self,
            answer=lambda *_: {},
        )
        self.daemon = Daemon(states, {}, ports, {})
        self.daemon.start()
        self.clock.sleep_until(1001.0)  # the flash limit of a start is over

    def tell(self, message: Message) -> None:
        self.clock.sleep_until(self.clock.now() + 1.0)
        self.mail.append(message)
        self.daemon.turn()

    def found(self, asked: tuple[str, PlanTrain], breaks: int = 1) -> PlannedTrain:
        """The planner answers a question; trains are told apart by their breaks."""
        circuit, question = asked
        train = PlannedTrain(Train((Pulse(0.5, 4.0),) * breaks, 0.0), (0.1,) * 2 * breaks)
        self.tell(PlanOver(circuit, question.question, train))
        return train

    def played(self, circuit: str) -> None:
        """A train ends, every edge in time."""
        edges = (Stamp(0.0, 0.0, 0.0, False), Stamp(0.5, 0.5, 0.5, True))
        self.tell(PlayOver(circuit, PlayResult(EdgeLog(edges, "finished", rested_s=4.5), 0.0, 0.0)))

    # -- the daemon's ports --------------------------------------------------------------------

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        self.asked.append((circuit, asked))

    def send(self, circuit: str, train: PlannedTrain) -> None:
        self.sent.append((circuit, train))

    def break_off(self, circuit: str, *, at_once: bool) -> None:
        raise AssertionError(f"{circuit}: nothing is being sent ({at_once})")

    def wait_for_orphan(self, _circuit: str) -> bool:
        return False

    def rest(self, _circuit: str) -> None:
        """Nothing hangs on it."""

    hold_open = let_close = rest

    def read(self, _circuit: str) -> bool | None:
        """It cannot be read."""
        return None

    def write(self, _kind: str, _circuit: str | None, _detail: Mapping[str, Any]) -> None:
        """Nobody reads it."""

    def status(self, _text: str) -> None:
        """Nobody listens."""

    ready = stopping = status

    def alive(self) -> None:
        """Nobody listens."""

    def catch_up(self) -> None:
        """Nothing is kept back."""

    def close(self) -> None:
        """Nothing is held."""


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


def test_an_answer_that_comes_too_late_is_not_sent_in_the_place_of_the_right_one(board: Board) -> None:
    first, plunge = board.asked
    board.found(plunge)
    board.daemon.take(LAP, on.ButtonLong(1000.0))  # another scene is wanted
    second = board.asked[-1]
    assert (first[0], second[0], second[1].scene) == (LAP, LAP, "quiet")
    right = board.found(second, breaks=2)  # and waits until the other circuit's train is over
    assert board.daemon.summary() == (
        "lap-pool: lit; its train to quiet waits for another circuit's to end; "
        "plunge-pool: sending the train to evening"
    )
    board.found(first, breaks=3)
    board.played(PLUNGE)
    assert board.sent[1:] == [(LAP, right)]
    board.played(LAP)
    assert board.daemon.states[LAP].certain("quiet")


@pytest.mark.parametrize(
    ("meanwhile", "phase"),
    [
        (on.Quiet(1000.0, True), "waiting"),
        (on.Steady(1000.0), "lit"),
        (on.ButtonLong(1000.0), "planning"),
    ],
    ids=["quiet hours", "plain light", "another scene"],
)
def test_a_train_whose_turn_comes_too_late_does_not_begin(
    board: Board, meanwhile: on.Event, phase: str
) -> None:
    lap, plunge = board.asked
    board.found(plunge)
    board.found(lap)
    board.daemon.take(LAP, meanwhile)
    assert board.daemon.states[LAP].phase == "sending"
    board.played(PLUNGE)
    assert [circuit for circuit, _ in board.sent] == [PLUNGE]
    assert board.daemon.states[LAP].phase == phase


def test_otherwise_its_turn_comes(board: Board) -> None:
    lap, plunge = board.asked
    board.found(plunge)
    train = board.found(lap)
    board.played(PLUNGE)
    assert board.sent[1:] == [(LAP, train)]


def test_what_is_due_is_known_before_the_clock_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise a site that is dark between shows would go dark for a moment at each start in a show."""

    class Trusted:
        ready = False

        def trust(self) -> None:
            pad._changed({}, False)

        def start(self) -> None: ...

        def recompute(self) -> None: ...

        def stop(self) -> None: ...

    site = load_site(LIDO, standing=True)
    with ExitStack() as opened:
        rules = {each.name: rules_for(site, each) for each in site.circuits}
        pad = _Pad(site, rules, Notifier(), opened)
        pad.timetable = Trusted()
        monkeypatch.setattr(pad.clock, "look", lambda: Look(trusted=True, step_s=0.0))
        pad._look()
    told = []
    while not pad.queue.empty():
        message = pad.queue.get()
        assert isinstance(message, Happened)
        told.append(type(message.event))
    assert told == [on.Quiet, on.ShowEnds] * 2 + [on.ClockTrusted] * 2
