"""A disk that is full or fails: nothing is raised; entries are kept back, counted, and written later."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.journal.journal import MOST_KEPT_BACK, RETRY_S, Journal
from tests.journal.conftest import Desk, write_train


def pages(journal: Journal, most: int) -> None:
    """Let the file have so many pages at most; SQLite says then what it says on a full disk."""
    assert journal._connection is not None
    journal._connection.execute(f"PRAGMA max_page_count = {most}").fetchall()


@pytest.fixture
def full(desk: Desk) -> Journal:
    """A journal that has no room left."""
    journal = desk.open()
    write_train(journal, desk.clocks, 1)
    pages(journal, 1)  # as many as there are
    while not journal.trouble:
        write_train(journal, desk.clocks, 1)
    return journal


def test_kept_back_and_written_once_there_is_room(desk: Desk, full: Journal) -> None:
    before = full.cycles_total("lap-pool")
    for _ in range(100):
        write_train(full, desk.clocks, 2)
    assert full.trouble.startswith("the journal cannot be written (database or disk is full); ")
    assert full.cycles_total("lap-pool") == before + 200
    assert full.carried()["lap-pool"].cycles_total == before + 200
    assert full.carried()["lap-pool"].scene == "evening"
    pages(full, 10_000)
    desk.clocks.go(RETRY_S)
    full.write("note", None, {"text": "room"})
    assert full.trouble == ""
    full.close()
    entries = desk.entries()
    assert [entry.at_s for entry in entries] == sorted(entry.at_s for entry in entries)
    assert sum(entry.detail.get("cycles", 0) for entry in entries) == before + 200
    assert desk.open().cycles_total("lap-pool") == before + 200


def test_tried_again_no_sooner_than_after_half_a_minute(desk: Desk, full: Journal) -> None:
    full.catch_up()
    pages(full, 10_000)
    desk.clocks.go(RETRY_S - 1)
    full.write("start")
    assert full.trouble
    desk.clocks.go(1)
    full.write("start")
    assert full.trouble == ""


def test_what_no_longer_fits_in_memory_is_still_counted(desk: Desk, full: Journal) -> None:
    before = full.cycles_total("lap-pool")
    full.write("wish", "lap-pool", {"wish": "steady"})
    for _ in range(MOST_KEPT_BACK):
        write_train(full, desk.clocks, 2)
    full.write("intent", "terrace", {"scene": "evening"})
    assert f"; entries kept in memory: {MOST_KEPT_BACK}" in full.trouble
    total = before + 2 * MOST_KEPT_BACK
    assert full.cycles_total("lap-pool") == total
    pages(full, 10_000)
    full.catch_up()
    assert full.trouble == ""
    carried = full.carried()
    full.close()
    [note] = [entry for entry in desk.entries() if entry.kind == "note"]
    assert "entries were lost while nothing could be written; they were counted" in note.detail["text"]
    again = desk.open()
    assert again.cycles_total("lap-pool") == total
    assert again.carried() == carried
    assert carried["lap-pool"].steady
    assert carried["terrace"].open_intent


def test_closed_while_it_is_full(desk: Desk, full: Journal) -> None:
    """What was only in memory is lost, and nothing else."""
    kept = len(full._back)
    written = full.cycles_total("lap-pool") - sum(entry.detail.get("cycles", 0) for entry in full._back)
    full.close()
    assert kept
    assert desk.open().cycles_total("lap-pool") == written


CHILD = """
import resource, signal, sys
from pathlib import Path
from sequencer.journal.journal import RETRY_S, open_journal
from sequencer.journal.reading import read_journal

path, limit, more = Path(sys.argv[1]), int(sys.argv[2]), [0.0]
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
now = lambda: more[0]
journal = open_journal(path, now_unix=now, now=now, boot="", limit_mb=16)
for number in range(400):
    more[0] += 1
    journal.write("outcome", "lap-pool", {"number": number, "cycles": 1})
print(journal.trouble)
print(journal.cycles_total("lap-pool"), len(journal._back) > 0)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
more[0] += RETRY_S
journal.catch_up()
print(repr(journal.trouble), journal.cycles_total("lap-pool"))
read = read_journal(path, 1000)
print([entry.detail["number"] for entry in read.entries] == list(range(400)), read.damaged, journal.notes)
"""


@pytest.mark.parametrize("limit", [0, 1, 4096, 5000, 30_000, 100_000, 250_000])
def test_files_that_may_not_grow(limit: int, desk: Desk) -> None:
    """Writes that fail or stop half-way, by the kernel's own limit on the size of a file (setrlimit(2))."""
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    command = [sys.executable, "-c", CHILD, desk.path, str(limit)]
    told = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60, env=env)
    trouble, counted, after, whole = told.stdout.splitlines()
    assert trouble.startswith("the journal cannot be written")
    assert counted == "400 True"
    assert after == "'' 400"
    assert whole == "True 0 []"
    assert told.stderr == ""
