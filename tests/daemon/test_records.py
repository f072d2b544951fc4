"""What a train did to its contact, as its player's log has it: bounds that hold whatever happened between."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sequencer.core import events as on
from sequencer.daemon.records import ContactEvent, contact_events, openings
from sequencer.player.job import PlayResult
from sequencer.train import EdgeLog, Outcome, Stamp

NOW, ZERO = 200.0, 100.0
"""The answer comes at 200; the train's zero was at 100."""


def opened(at: float, confirmed: float | None = None) -> Stamp:
    return Stamp(at, at, at, False, confirmed)


def closed(at: float, confirmed: float | None = None) -> Stamp:
    return Stamp(at, at, at, True, confirmed)


def log(
    stamps: Sequence[Stamp], outcome: Outcome = "finished", rested: float | None = 9.0, *, shut: bool = True
) -> PlayResult:
    return PlayResult(EdgeLog(tuple(stamps), outcome, rested_s=rested, rests_closed=shut), ZERO, 0.0)


WHOLE = [opened(1.0, 1.25), closed(2.0, 2.5), opened(4.0, 4.125), closed(5.0, 5.5)]
NOBODY = "nobody knows where the train left the contact"


def unknown(cycles: int) -> tuple[ContactEvent, ...]:
    return (on.ContactUnknown(NOW, NOBODY, cycles),)


def moved(
    cycles: int, first_open: float, last_open: float, first: float, last: float
) -> tuple[ContactEvent, ...]:
    return on.ContactOpened(NOW, first_open, last_open, cycles), on.ContactClosed(NOW, first, last)


# what the player said; what it did to the contact
CASES: dict[str, tuple[PlayResult | str | None, tuple[ContactEvent, ...]]] = {
    "held: the last opening and the last closing": (log(WHOLE), moved(2, 104.0, 104.125, 105.0, 105.5)),
    "spoiled: the same, as late as it was": (
        log([opened(1.0, 3.0), closed(7.0, 8.0)])._replace(beyond=(2,)),
        moved(1, 101.0, 103.0, 107.0, 108.0),
    ),
    "an old log says not by when a command was given": (
        log([opened(1.0), closed(2.0)]),
        moved(1, 101.0, NOW, 102.0, NOW),
    ),
    "a confirmation after its answer is one by then": (
        log([opened(1.0, 150.0), closed(2.0, 150.0)]),
        moved(1, 101.0, NOW, 102.0, NOW),
    ),
    "overdue, lit": (log(WHOLE[:2], "overdue"), moved(1, 101.0, 101.25, 102.0, 102.5)),
    "overdue in a break: it closed when it was sent to rest": (
        log(WHOLE[:3], "overdue"),
        moved(2, 104.0, 104.125, 109.0, NOW),
    ),
    "broken off, lit": (log(WHOLE[:2], "broken off"), moved(1, 101.0, 101.25, 102.0, 102.5)),
    "broken off in a break": (log(WHOLE[:1], "broken off"), moved(1, 101.0, 101.25, 109.0, NOW)),
    "broken off before the first edge": (log([], "broken off"), (on.ContactClosed(NOW, 109.0, NOW),)),
    "failed at the first opening: it may have opened at any moment until now": (
        log([], "failed"),
        moved(1, 100.0, NOW, 100.0, NOW),
    ),
    "failed at a later opening": (log(WHOLE[:2], "failed"), moved(2, 101.0, NOW, 102.0, NOW)),
    "failed at a closing: it may have closed by the command that failed": (
        log(WHOLE[:3], "failed"),
        moved(2, 104.0, NOW, 104.0, NOW),
    ),
    "a rest that was commanded after the answer": (
        log(WHOLE[:1], "broken off", 150.0),
        moved(1, 101.0, 101.25, NOW, NOW),
    ),
    "it could not be sent to rest": (log(WHOLE[:3], "failed", None), unknown(2)),
    "not even after a train that held": (log(WHOLE, rested=None), unknown(2)),
    "a contact that rests open is none that the daemon can call closed": (log(WHOLE, shut=False), unknown(2)),
    "no log: all of its openings may have been": ("the player died", unknown(7)),
    "an earlier daemon's": (None, unknown(7)),
}


@pytest.mark.parametrize("name", CASES)
def test_what_a_train_did_to_its_contact(name: str) -> None:
    result, events = CASES[name]
    cycles = openings(result) if isinstance(result, PlayResult) else 7
    assert contact_events(result, cycles, NOW) == events


@pytest.mark.parametrize(
    ("stamps", "outcome", "count"),
    [
        (WHOLE, "finished", 2),
        (WHOLE[:3], "broken off", 2),
        ([], "broken off", 0),
        ([], "failed", 1),
        (WHOLE[:2], "failed", 2),
        (WHOLE[:3], "failed", 2),
    ],
    ids=["all", "in a break", "none", "at the first opening", "at the second", "at a closing"],
)
def test_an_opening_that_failed_is_counted(stamps: list[Stamp], outcome: Outcome, count: int) -> None:
    assert openings(log(stamps, outcome)) == count
