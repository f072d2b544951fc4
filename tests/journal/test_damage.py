"""A kill at any byte, files cut short at any length, bits that flip: opening never fails, nothing false is read.

Every length and byte takes minutes, so a part is taken unless ``EVERY_BYTE=1`` is in the environment.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sequencer.journal.entries import Entry
from sequencer.journal.reading import read_journal
from tests.journal.conftest import Desk, write_train

SPARSE = not os.environ.get("EVERY_BYTE")
PARTS = ("", "-wal", "-shm")
FRAME, HEADER, PAGE = 24, 32, 4096
"""Bytes of a frame's and of the write-ahead log's header, and of a page (SQLite, Database File Format, 4.1)."""


def put(desk: Desk, files: dict[str, bytes]) -> None:
    """The folder as it was: these files, and nothing that was set aside."""
    for path in desk.path.parent.iterdir():
        path.unlink()
    for part, content in files.items():
        desk.path.with_name(desk.path.name + part).write_bytes(content)


def files_of(desk: Desk) -> dict[str, bytes]:
    paths = {part: desk.path.with_name(desk.path.name + part) for part in PARTS}
    return {part: path.read_bytes() for part, path in paths.items() if path.exists()}


def reopened(desk: Desk) -> tuple[list[Entry], int, bool]:
    """What a start finds: entries, relay cycles for ever, and whether it said that something was wrong.

    Then it writes, closes, and finds that again.
    """
    journal = desk.open()
    assert journal.trouble == ""
    journal.carried()
    total = journal.cycles_total("lap-pool")
    read = read_journal(desk.path, 1000)
    assert read is not None
    journal.write("note", None, {"text": "still here"})
    assert journal.trouble == ""
    journal.close()
    told = bool(journal.notes)
    assert desk.entries()[-1].detail == {"text": "still here"}
    assert bool(desk.aside()) <= told
    found = [entry for entry in read.entries if entry.kind != "note"]
    return found, total, told or read.damaged > 0


def unnumbered(entries: list[Entry]) -> list[Entry]:
    """In a new file, what is carried over has new numbers."""
    return [entry._replace(id=0) for entry in entries]


def some(numbers: range, step: int) -> Iterator[int]:
    return iter(numbers[::step] if SPARSE else numbers)


@pytest.fixture
def written(desk: Desk) -> list[tuple[int, list[Entry]]]:
    """A journal that nobody closed: how long its log was, and what was in it, after each entry."""
    journal = desk.open()
    log = desk.path.with_name(f"{desk.path.name}-wal")
    states = [(log.stat().st_size, list[Entry]())]
    for _ in range(3):
        for kind, cycles in (("intent", 0), ("outcome", 2)):
            desk.clocks.go(10)
            journal.write(kind, "lap-pool", {"scene": "evening", "cycles": cycles})
            read = read_journal(desk.path, 1000)
            assert read is not None
            states.append((log.stat().st_size, list(read.entries)))
    left = files_of(desk)
    journal.close()
    put(desk, left)
    return states


def before(at: int, written: list[tuple[int, list[Entry]]]) -> list[Entry]:
    """What was committed in so many bytes of the log."""
    return next(entries for size, entries in reversed([(0, list[Entry]()), *written]) if size <= at)


def test_the_log_cut_at_any_length(desk: Desk, written: list[tuple[int, list[Entry]]]) -> None:
    """Exactly what was committed before the cut is there: that is what a kill, or a power cut, at any byte leaves."""
    whole = files_of(desk)
    frames = range(HEADER, len(whole["-wal"]) + 1, FRAME + PAGE)
    assert [size for size, _ in written][-1] == len(whole["-wal"]) == frames[-1]
    lengths = {
        *some(range(len(whole["-wal"])), 509),
        *frames,
        *(end - 1 for end in frames),
        *(end + 1 for end in frames),
    }
    for length in sorted(lengths):
        for leaves_index in (True, False):
            kept = {"": whole[""], "-wal": whole["-wal"][:length]}
            put(desk, {**kept, "-shm": whole["-shm"]} if leaves_index else kept)
            expected = before(length, written)
            total = sum(entry.detail["cycles"] for entry in expected)
            assert reopened(desk) == (expected, total, False), length


def test_the_log_with_flipped_bits(desk: Desk, written: list[tuple[int, list[Entry]]]) -> None:
    """A frame that does not fit its checksum ends the log: what was committed before it is there."""
    whole = files_of(desk)
    for at in some(range(len(whole["-wal"])), 331):
        flipped = bytearray(whole["-wal"])
        flipped[at] ^= 1 << at % 8
        put(desk, {"": whole[""], "-wal": bytes(flipped)})
        found, total, told = reopened(desk)
        if found != written[-1][1]:  # not a byte that means nothing any more
            assert found == before(at, written), at
        assert total == sum(entry.detail["cycles"] for entry in found)
        assert not told


@pytest.fixture
def closed(desk: Desk) -> list[Entry]:
    """A journal that was closed, so that there is no log."""
    journal = desk.open()
    for _ in range(6):
        write_train(journal, desk.clocks, 2)
        journal.write("wish", "terrace", {"wish": "hand", "scene": "quiet"})
    journal.close()
    assert list(files_of(desk)) == [""]
    return desk.entries()


def test_the_main_file_cut_at_any_length(desk: Desk, closed: list[Entry]) -> None:
    whole = files_of(desk)[""]
    assert reopened(desk) == (closed, 12, False)
    for length in some(range(len(whole)), 61):
        put(desk, {"": whole[:length]})
        found, _, told = reopened(desk)
        assert all(entry in unnumbered(closed) for entry in unnumbered(found))
        assert told or length <= 1 or found == closed  # SQLite takes a file of one byte for an empty one
        if desk.aside():
            [aside] = [path for path in desk.aside() if path.name.endswith("Z")]
            assert aside.read_bytes() == whole[:length]


def test_the_main_file_with_flipped_bits(desk: Desk, closed: list[Entry]) -> None:
    """Whatever is read was written; what is missing was said to be, and so was a count that is wrong."""
    whole = files_of(desk)[""]
    silent = []
    for at in (at for at in some(range(len(whole)), 3) if whole[at] or at % 16 == 0):
        flipped = bytearray(whole)
        flipped[at] ^= 1 << at % 8
        put(desk, {"": bytes(flipped)})
        found, total, told = reopened(desk)
        assert all(entry in unnumbered(closed) for entry in unnumbered(found)), at
        if (found != closed or total != 12) and not told:
            silent.append(at)
    assert silent == []


def test_killed_over_and_over(desk: Desk, writer: Callable[..., subprocess.Popen[str]]) -> None:
    """A real process, killed in the midst of its writing: whatever it had said was on the disk is there."""
    said = 0
    for number in range(25):
        child = writer(desk.path, "1000000")
        assert child.stdout is not None
        assert child.stdout.readline() == "open \n"
        for _ in range(1 + 7 * number % 23):
            said = int(child.stdout.readline())
        child.kill()
        child.wait(timeout=10)
        said = max([said, *(int(line) for line in child.stdout.read().splitlines() if line)])
        read = read_journal(Path(desk.path), 1_000_000)
        assert read is not None
        outcomes = [entry.detail["number"] for entry in read.entries if entry.kind == "outcome"]
        assert outcomes == list(range(len(outcomes)))
        assert said <= len(outcomes) <= said + 1
        assert sum(day.cycles for day in read.days) == len(outcomes)
        assert read.damaged == 0
    assert desk.aside() == []
