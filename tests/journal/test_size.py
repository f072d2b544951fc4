"""Ten years of evenings in a small journal: its size, its counts, and what a start still finds."""

from __future__ import annotations

import pytest

from sequencer.core.carried import Carried
from sequencer.journal.entries import edges_detail
from sequencer.journal.journal import Journal
from sequencer.journal.reading import read_journal
from sequencer.train import EdgeLog, Stamp
from tests.journal.conftest import NOON, Desk

LIMIT = 1_000_000
EVENINGS = 3650
STAMPS = tuple(Stamp(n / 3, n / 3 - 0.0055, n / 3 - 0.00549, n % 2 == 1) for n in range(16))
LOG = edges_detail(EdgeLog(STAMPS, "finished", "", 5.5, True))


def evening(journal: Journal, desk: Desk, number: int) -> int:
    """What happens on an ordinary evening; the relay cycles it took."""
    desk.clocks.at_s += NOON + number * 86_400 + 30_000 - desk.clocks.unix_s
    desk.clocks.unix_s = NOON + number * 86_400 + 30_000
    if number % 7 == 0:
        journal.write("supply", "lap-pool", {"supply": "lost"})
    cycles = 8 + number % 5
    journal.write("intent", "lap-pool", {"scene": "evening", "start": "cut", "known": {}})
    journal.write("edges", "lap-pool", LOG)
    journal.write("outcome", "lap-pool", {"scene": "evening", "cycles": cycles, "spoiled": number % 100 == 0})
    return cycles


def test_ten_years(desk: Desk) -> None:
    journal = desk.open(limit_mb=LIMIT / 1e6)
    journal.write("wish", "lap-pool", {"wish": "steady"})
    journal.write("intent", "terrace", {"scene": "evening"})
    total = largest = 0
    for number in range(EVENINGS):
        total += evening(journal, desk, number)
        size = sum(path.stat().st_size for path in desk.path.parent.iterdir())
        largest = max(largest, size)
        assert size <= LIMIT
        if number % 900 == 0:
            journal.close()
            journal = desk.open(limit_mb=LIMIT / 1e6)
    assert largest > LIMIT / 2
    assert (journal.trouble, journal.notes) == ("", [])
    assert journal.cycles_total("lap-pool") == total
    read = read_journal(desk.path, 1_000_000)
    assert read is not None
    assert read.damaged == 0
    sums = {name: sum(getattr(day, name) for day in read.days) for name in read.days[0]._fields[2:]}
    assert sums.pop("dark_s") == pytest.approx(EVENINGS * 8 / 3)
    assert sums == {"evenings": EVENINGS, "trains": EVENINGS, "spoiled": 37, "cycles": total, "outages": 522}
    assert len(read.days) < 420
    assert [entry.kind for entry in read.entries[:2]] == ["wish", "intent"]
    assert len(read.entries) > 100
    assert journal.carried() == {
        "lap-pool": Carried("evening", True, (), ((0.0, 8 + (EVENINGS - 1) % 5),), False, total),
        "terrace": Carried(open_intent=True),
    }


def test_a_limit_that_was_lowered(desk: Desk) -> None:
    journal = desk.open(limit_mb=16)
    total = sum(evening(journal, desk, number) for number in range(1000))
    journal.close()
    assert desk.path.stat().st_size > LIMIT
    journal = desk.open(limit_mb=LIMIT / 1e6)
    evening(journal, desk, 1000)
    journal.close()
    assert desk.path.stat().st_size < LIMIT
    assert desk.open().cycles_total("lap-pool") == total + 8
