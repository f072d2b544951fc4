"""When the loop acts, and in which order: its ports in virtual time, each call with the moment at which it came."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.core import events as on
from sequencer.daemon.messages import PlanOver, PlayOver, Stop
from sequencer.player.job import PlayResult
from sequencer.train import EdgeLog, Stamp
from tests.daemon.loop_desk import LAP, PLUNGE, TRAIN, Desk

HELD = EdgeLog(
    (Stamp(0.0, 0.0, 0.0, False, 0.125), Stamp(0.5, 0.5, 0.5, True, 0.625)), "finished", rested_s=4.5
)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.fixture
def two(tmp_path: Path) -> Desk:
    return Desk(tmp_path, LAP, PLUNGE)


Crowd = Callable[[Desk], None]


def nobody(_: Desk) -> None: ...


def many(desk: Desk) -> None:
    """A message every 0.3125 s; none comes at the moments that count."""
    for number in range(200):
        desk.ask(1001.0625 + 0.3125 * number)


CROWDS = pytest.mark.parametrize("crowd", [nobody, many], ids=["no messages", "messages keep coming"])

# -- a contact that is to be brought to rest -------------------------------------------------------


@CROWDS
def test_a_contact_is_brought_to_rest_again_every_two_seconds(desk: Desk, crowd: Crowd) -> None:
    desk.fails.add(f"rest {LAP}")
    desk.daemon.start()
    crowd(desk)
    desk.go(1007.0)
    assert desk.times(f"rest {LAP}") == [1000.0, 1002.0, 1004.0, 1006.0]
    assert desk.asked == []  # no train is planned for a contact of which nobody knows
    desk.fails.clear()
    desk.go(1020.0)
    assert desk.times(f"rest {LAP}") == [1000.0, 1002.0, 1004.0, 1006.0, 1008.0]
    assert [question.start for _, question in desk.asked] == ["cut"]


def test_deadlines_are_worked_off_though_the_queue_is_never_empty(desk: Desk) -> None:
    """Each question takes 0.375 s, and the next is there already: time passes between them all the same."""
    desk.fails.add(f"rest {LAP}")
    desk.daemon.start()
    desk.takes["answer"] = 0.375
    for _ in range(20):
        desk.ask(1000.0)
    desk.go(1000.0)
    assert desk.clock.now() == 1000.0 + 20 * 0.375
    assert desk.times(f"rest {LAP}") == [1000.0, 1002.25, 1004.5, 1006.75]


def test_of_several_messages_at_a_deadline_it_waits_for_one_at_most(desk: Desk) -> None:
    desk.fails.add(f"rest {LAP}")
    desk.daemon.start()
    desk.did.clear()
    for _ in range(3):
        desk.ask(1002.0)
    desk.go(1002.0)
    done = [did for _, did in desk.did if not did.startswith("write")]
    assert done == ["answer", f"rest {LAP}", "answer", "answer"]


def test_what_bringing_to_rest_takes_widens_the_closing(desk: Desk) -> None:
    desk.takes["rest"] = 3.0
    desk.daemon.start()
    assert desk.events[1] == (LAP, on.ContactClosed(1003.0, 1000.0, 1003.0))
    assert desk.daemon.states[LAP].lit_since == 1003.0


def test_a_contact_under_an_earlier_daemons_player_is_let_alone(tmp_path: Path) -> None:
    desk = Desk(tmp_path, orphan=LAP)
    desk.daemon.start()
    many(desk)
    desk.go(1030.0)
    assert desk.times(f"rest {LAP}") == []
    desk.post(1031.0, PlayOver(LAP, None))
    desk.go(1031.0)
    assert desk.times(f"rest {LAP}") == [1031.0]
    assert [type(event) for _, event in desk.events if not isinstance(event, on.Tick)] == [
        on.Started,
        on.ContactUnknown,
        on.ContactClosed,
        on.TrainEnded,
    ]


# -- a contact that is held open -------------------------------------------------------------------


def test_an_opening_is_written_down_before_it_is_commanded(desk: Desk) -> None:
    desk.daemon.start()
    desk.takes = {"write": 0.25, "open": 0.5}
    desk.did.clear()
    desk.tell(on.SwitchOff(1001.0))
    desk.go(1001.0)
    assert desk.did == [
        (1001.0, f"write input {LAP}"),
        (1001.25, f"write dark begins {LAP}"),
        (1001.5, f"open {LAP}"),
    ]
    assert desk.events[-1] == (LAP, on.ContactOpened(1002.0, 1001.5, 1002.0))


def test_a_closing_comes_after_a_last_reading(desk: Desk) -> None:
    desk.dark()
    desk.takes = {"read": 0.125, "write": 0.25, "let": 0.5}
    desk.tell(on.SwitchOn(1005.0))
    desk.go(1005.0)
    assert desk.did[:4] == [
        (1005.0, f"write input {LAP}"),
        (1005.25, f"read {LAP}"),
        (1005.375, f"write dark ends {LAP}"),
        (1005.625, f"let close {LAP}"),
    ]
    assert [e for _, e in desk.events if isinstance(e, on.ContactRead | on.ContactClosed)][1:] == [
        on.ContactRead(1005.375, False),
        on.ContactClosed(1006.125, 1005.625, 1006.125),
    ]


@CROWDS
def test_it_is_read_back_every_ten_seconds_while_it_is_held_open(desk: Desk, crowd: Crowd) -> None:
    desk.dark()
    crowd(desk)
    desk.go(1035.0)
    assert desk.times(f"read {LAP}") == [1011.0, 1021.0, 1031.0]
    desk.tell(on.SwitchOn(1035.0))
    desk.go(1060.0)
    assert desk.times(f"read {LAP}") == [1011.0, 1021.0, 1031.0, 1035.0]  # never of a contact at rest


def test_a_reading_that_fails_is_had_again_ten_seconds_later(desk: Desk) -> None:
    desk.dark()
    desk.fails.add(f"read {LAP}")
    desk.go(1012.0)
    assert desk.daemon.states[LAP].contact.stands == "unknown"
    desk.fails.clear()
    desk.go(1021.0)
    assert desk.times(f"read {LAP}") == [1011.0, 1021.0]
    assert desk.times(f"rest {LAP}") == []  # it is held, and dark is wanted
    assert desk.daemon.states[LAP].contact.opened == (1001.0, 1021.0)


def test_a_board_that_cannot_be_read_says_nothing(desk: Desk) -> None:
    desk.reads = None
    desk.dark()
    desk.go(1031.0)
    assert desk.times(f"read {LAP}") == [1011.0, 1021.0, 1031.0]
    assert not any(isinstance(event, on.ContactRead) for _, event in desk.events)


def test_what_closed_by_itself_is_brought_to_rest_soon_and_opened_again(desk: Desk) -> None:
    """At rest after the retry's two seconds; dark is tried again after the core's five."""
    desk.dark()
    desk.reads = True
    desk.go(1011.0)
    desk.reads = False
    desk.go(1016.0)
    assert [(at, did) for at, did in desk.did if not did.startswith("write")] == [
        (1011.0, f"read {LAP}"),
        (1013.0, f"rest {LAP}"),
        (1016.0, f"open {LAP}"),
    ]


def test_an_opening_that_fails_is_brought_to_rest_soon_and_tried_again(desk: Desk) -> None:
    desk.daemon.start()
    desk.did.clear()
    desk.fails.add(f"open {LAP}")
    desk.tell(on.SwitchOff(1001.0))
    desk.go(1001.0)
    desk.fails.clear()
    desk.go(1006.0)
    assert [(at, did) for at, did in desk.did if not did.startswith("write")] == [
        (1001.0, f"open {LAP}"),
        (1003.0, f"rest {LAP}"),
        (1006.0, f"open {LAP}"),
    ]
    assert desk.daemon.states[LAP].recent_cycles == 2  # it may have opened


def test_a_closing_that_fails_is_brought_to_rest_soon(desk: Desk) -> None:
    desk.dark()
    desk.fails |= {f"let close {LAP}", f"rest {LAP}"}
    desk.tell(on.SwitchOn(1005.0))
    desk.go(1008.0)
    desk.fails.clear()
    desk.go(1020.0)
    assert desk.times(f"let close {LAP}") == [1005.0]
    assert desk.times(f"rest {LAP}") == [1007.0, 1009.0]
    assert desk.daemon.states[LAP].contact.closed == (1009.0, 1009.0)


# -- the journal -----------------------------------------------------------------------------------


@CROWDS
def test_what_the_journal_kept_back_is_tried_every_two_seconds(desk: Desk, crowd: Crowd) -> None:
    desk.daemon.start()
    desk.go(1001.0)
    desk.trouble = "the disk is full"
    crowd(desk)
    desk.tell(on.Tick(1001.0))
    desk.go(1006.5)
    assert desk.times("catch up") == [1001.0, 1003.0, 1005.0]
    desk.trouble = ""
    desk.go(1030.0)
    assert desk.times("catch up") == [1001.0, 1003.0, 1005.0]


# -- trains ----------------------------------------------------------------------------------------


def test_the_first_stop_lets_a_train_end(desk: Desk) -> None:
    desk.daemon.start()
    desk.post(1001.0, PlanOver(LAP, 1, TRAIN))
    desk.post(1002.0, Stop("SIGTERM"))
    desk.post(1006.0, PlayOver(LAP, PlayResult(HELD, 1001.0, 0.0)))
    run(desk)
    assert desk.clock.now() == 1006.0
    assert [did for _, did in desk.did[-2:]] == ["write stop", "close"]
    assert desk.daemon.states[LAP].certain("evening")


def test_the_second_stop_ends_at_once(desk: Desk) -> None:
    desk.daemon.start()
    desk.post(1001.0, PlanOver(LAP, 1, TRAIN))
    desk.post(1002.0, Stop("SIGTERM"))
    desk.post(1003.0, Stop("SIGTERM"))
    desk.post(1006.0, PlayOver(LAP, "too late"))
    run(desk)
    assert desk.clock.now() == 1003.0
    assert [did for _, did in desk.did[-2:]] == ["write stop", "close"]


def test_without_a_train_the_first_stop_ends_at_once(desk: Desk) -> None:
    desk.daemon.start()
    desk.post(1002.0, Stop("SIGTERM"))
    run(desk)
    assert desk.clock.now() == 1002.0


def run(desk: Desk) -> None:
    """:meth:`Daemon.run` of a daemon that has started."""
    desk.daemon.start = lambda: None  # type: ignore[method-assign]
    desk.daemon.run()


def test_after_a_stop_no_further_train_begins(two: Desk) -> None:
    two.sent(LAP, PLUNGE)
    two.post(1002.0, Stop("SIGTERM"))
    two.post(1006.0, PlayOver(LAP, PlayResult(HELD, 1001.0, 0.0)))
    run(two)
    assert two.times(f"send {PLUNGE}") == []


def test_a_train_that_was_taken_out_of_its_turn_is_not_sent_when_that_comes(two: Desk) -> None:
    """Its circuit is dark and lit again meanwhile, and another train is being planned."""
    two.sent(LAP, PLUNGE)
    two.tell(on.SwitchOff(1002.0), on.SwitchOn(1003.0), circuit=PLUNGE)
    two.post(1006.0, PlayOver(LAP, PlayResult(HELD, 1001.0, 0.0)))
    two.go(1006.0)
    assert two.daemon.states[PLUNGE].phase == "planning"
    assert two.times(f"send {PLUNGE}") == []


def test_no_train_begins_while_an_earlier_daemons_is_sent_on_another_circuit(tmp_path: Path) -> None:
    two = Desk(tmp_path, LAP, PLUNGE, orphan=LAP)
    two.sent(PLUNGE)
    two.post(1005.0, PlayOver(LAP, None))
    two.go(1005.0)
    assert two.times(f"send {PLUNGE}") == [1005.0]


def test_after_a_failed_train_the_contact_is_brought_to_rest_before_anything_else(two: Desk) -> None:
    """Dark is wanted meanwhile, and the other circuit's train waits."""
    two.sent(LAP, PLUNGE)
    two.tell(on.SwitchOff(1002.0))
    two.go(1002.0)
    two.did.clear()
    two.takes["rest"] = 1.0
    two.post(1003.0, PlayOver(LAP, "the player died"))
    two.go(1005.0)
    assert [(at, did) for at, did in two.did if not did.startswith("write")] == [
        (1003.0, f"rest {LAP}"),
        (1004.0, f"open {LAP}"),
        (1004.0, f"send {PLUNGE}"),
    ]
    assert two.times(f"write outcome {LAP}") == [1003.0]
    assert two.times(f"write intent {PLUNGE}") == [1004.0]


def test_a_contact_that_cannot_be_brought_to_rest_is_sent_no_train(two: Desk) -> None:
    two.sent(LAP, PLUNGE)
    two.fails.add(f"rest {LAP}")
    two.post(1003.0, PlayOver(LAP, "the player died"))
    two.go(1060.0)
    assert two.times(f"rest {LAP}") == [1003.0 + 2.0 * number for number in range(29)]
    assert two.times(f"send {LAP}") == []
    assert two.times(f"send {PLUNGE}") == [1003.0]  # the others' are
    assert [circuit for circuit, _ in two.asked].count(LAP) == 1


def test_a_player_that_never_answers_blocks_no_other_train(two: Desk) -> None:
    """Once the core has given it up and the contact has been brought to rest; not while it cannot be."""
    two.sent(LAP, PLUNGE)
    given_up = 1001.0 + 4.5 + 120.0
    two.fails.add(f"rest {LAP}")
    two.go(given_up + 5.0)
    assert two.times(f"send {PLUNGE}") == []
    two.fails.clear()
    two.go(given_up + 6.0)
    assert two.times(f"rest {LAP}") == [given_up + wait for wait in (0.0, 2.0, 4.0, 6.0)]
    assert two.times(f"send {PLUNGE}") == [given_up + 6.0]


def test_nor_does_one_whose_contact_is_held_open_since(two: Desk) -> None:
    two.sent(LAP, PLUNGE)
    two.tell(on.SwitchOff(1002.0))
    two.fails.add(f"rest {LAP}")
    given_up = 1001.0 + 4.5 + 120.0
    two.go(given_up + 6.0)
    assert two.times(f"open {LAP}") == [given_up + 0.5]
    assert two.times(f"send {PLUNGE}") == [given_up + 0.5]


def test_a_stop_does_not_wait_for_a_player_that_never_answers(desk: Desk) -> None:
    desk.sent(LAP)
    desk.post(1010.0, Stop("SIGTERM"))
    run(desk)
    assert desk.clock.now() == 1001.0 + 4.5 + 120.0


def test_a_train_is_written_down_before_its_player_starts(desk: Desk) -> None:
    desk.daemon.start()
    desk.did.clear()
    desk.takes["write"] = 0.25
    desk.post(1001.0, PlanOver(LAP, 1, TRAIN))
    desk.go(1001.0)
    assert desk.did == [(1001.0, f"write intent {LAP}"), (1001.25, f"send {LAP}")]
    assert desk.daemon.states[LAP].overdue_at == 1001.25 + 4.5 + 120.0


def test_a_relay_that_fails_for_days_is_tried_every_five_minutes(desk: Desk) -> None:
    """3.6 days of it; the wait is doubled with each failure up to there."""
    desk.daemon.states[LAP] = desk.daemon.states[LAP]._replace(failures=1100)
    desk.sent(LAP)
    desk.post(1002.0, PlayOver(LAP, "no line"))
    desk.go(1002.0)
    assert desk.daemon.states[LAP].retry_at == 1302.0
