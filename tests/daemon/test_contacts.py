"""Contacts that the daemon holds, and whose turn it is to command them, at each call of a driver that may fail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import pytest

from sequencer.daemon.contacts import TURN_S, UNTIMED_S, RelayContacts, Turns
from sequencer.errors import HardwareError
from sequencer.relay.protocol import Relay

POOL = "lap-pool"


class Lock:
    """A lock in no time at all: who waits for one that is taken has waited in vain, as long as ``waited`` says."""

    def __init__(self) -> None:
        self.taken = False
        self.waited: list[float] = []

    def acquire(self, timeout: float) -> bool:
        self.waited.append(timeout)
        had, self.taken = self.taken, True
        return not had

    def release(self) -> None:
        assert self.taken, "given back twice"
        self.taken = False


class Board:
    """A driver. ``did``: what was called; ``fails``: what fails."""

    def __init__(self) -> None:
        self.did: list[str] = []
        self.fails: set[str] = set()
        self.turns = Turns()
        self.lock = Lock()
        self.turns._locks[POOL] = self.lock  # type: ignore[assignment]
        self.specs: list[Mapping[str, object]] = []
        self.contacts = RelayContacts({POOL: {"driver": "serial"}}, self.open, self.turns)

    def open(self, spec: Mapping[str, object]) -> Relay:
        self.specs.append(spec)
        assert self.lock.taken, "opened out of turn"
        self._does("open")
        return cast("Relay", self)

    def set(self, closed: bool) -> None:
        assert self.lock.taken
        self._does("set closed" if closed else "set open")

    def read(self) -> bool | None:
        self._does("read")
        return False

    def close(self) -> None:
        assert self.lock.taken, "let go out of turn"
        self._does("close")

    def _does(self, what: str) -> None:
        self.did.append(what)
        if what in self.fails:
            raise HardwareError(f"{what} fails")

    def held(self) -> Board:
        self.contacts.hold_open(POOL)
        self.did.clear()
        return self


@pytest.fixture
def board() -> Board:
    return Board()


def test_who_holds_it_has_the_turn_until_it_is_let_go(board: Board) -> None:
    contacts = board.contacts
    contacts.hold_open(POOL)
    assert (board.did, board.lock.taken) == (["open", "set open"], True)
    contacts.hold_open(POOL)  # again commands it again, in the same turn
    assert board.did == ["open", "set open", "set open"]
    assert contacts.read(POOL) is False
    contacts.let_close(POOL)
    assert (board.did[3:], board.lock.taken) == (["read", "close"], False)
    contacts.let_close(POOL)  # again does nothing
    assert contacts.read(POOL) is None
    assert len(board.did) == 5
    assert board.specs == [{"driver": "serial", "line_delay_s": UNTIMED_S}]


CALLS: dict[str, Any] = {
    "hold open": lambda contacts: contacts.hold_open(POOL),
    "bring to rest": lambda contacts: contacts.rest(POOL),
}


@pytest.mark.parametrize("call", CALLS)
def test_nothing_is_commanded_while_a_measuring_has_the_turn(board: Board, call: str) -> None:
    board.turns.take(POOL)
    with pytest.raises(HardwareError, match=r"^lap-pool: the contact is in use"):
        CALLS[call](board.contacts)
    assert board.did == []
    assert board.lock.waited == [TURN_S, TURN_S]
    board.turns.give_back(POOL)
    CALLS[call](board.contacts)
    assert board.did[0] == "open"


def test_a_measuring_has_no_turn_while_it_is_held(board: Board) -> None:
    board.held()
    with pytest.raises(HardwareError, match="held open"), board.turns.turn(POOL, 0.25):
        raise AssertionError("commanded by two")
    assert board.lock.taken  # it was not given back by who never had it
    assert board.lock.waited == [TURN_S, 0.25]
    board.contacts.let_close(POOL)
    with board.turns.turn(POOL, 0.25):
        assert board.lock.taken


@pytest.mark.parametrize(
    ("fails", "did"),
    [
        ({"open"}, ["open"]),
        ({"set open"}, ["open", "set open", "close"]),
        ({"set open", "close"}, ["open", "set open", "close"]),
    ],
    ids=["at its opening", "at its command", "at its command and its closing"],
)
def test_an_opening_that_fails_gives_the_turn_back(board: Board, fails: set[str], did: list[str]) -> None:
    board.fails = fails
    with pytest.raises(HardwareError):
        board.contacts.hold_open(POOL)
    assert (board.did, board.lock.taken) == (did, False)
    assert board.contacts.read(POOL) is None  # it is not held
    board.fails = set()
    board.contacts.hold_open(POOL)
    assert board.lock.taken


def test_a_second_command_that_fails_leaves_it_held(board: Board) -> None:
    """Until it is brought to rest: the relay is still ours, and energised for all that is known."""
    board.held().fails = {"set open"}
    with pytest.raises(HardwareError):
        board.contacts.hold_open(POOL)
    assert board.lock.taken
    board.contacts.rest(POOL)
    assert (board.did, board.lock.taken) == (["set open", "close", "open", "close"], False)


def test_a_letting_go_that_fails_gives_the_turn_back(board: Board) -> None:
    board.held().fails = {"close"}
    with pytest.raises(HardwareError, match="close fails"):
        board.contacts.let_close(POOL)
    assert not board.lock.taken
    assert board.contacts.read(POOL) is None


def test_rest_lets_go_of_what_is_held_and_commands_rest_anew(board: Board) -> None:
    board.held().contacts.rest(POOL)
    assert (board.did, board.lock.taken) == (["close", "open", "close"], False)


@pytest.mark.parametrize(
    ("fails", "did"),
    [({"open"}, ["close", "open"]), ({"close"}, ["close", "open", "close"])],
    ids=["at its opening", "at both closings"],
)
def test_a_rest_that_fails_gives_the_turn_back(board: Board, fails: set[str], did: list[str]) -> None:
    board.held().fails = fails
    with pytest.raises(HardwareError):
        board.contacts.rest(POOL)
    assert (board.did, board.lock.taken) == (did, False)


def test_at_the_end_one_that_fails_keeps_no_other() -> None:
    one, other = Board(), Board()
    both = RelayContacts(
        {POOL: {"board": one}, "plunge-pool": {"board": other}},
        lambda spec: cast("Board", spec["board"]).open(spec),
        turns := Turns(),
    )
    turns._locks[POOL], turns._locks["plunge-pool"] = one.lock, other.lock  # type: ignore[assignment]
    both.hold_open(POOL)
    both.hold_open("plunge-pool")
    one.fails = {"close"}
    with pytest.raises(HardwareError, match="close fails"):
        both.close()
    assert (one.lock.taken, other.lock.taken) == (False, False)
    assert other.did == ["open", "set open", "close"]
