"""Writing and reading, and what is done with a file that is no sound journal."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from sequencer.core.carried import Carried, CarriedWish
from sequencer.errors import HardwareError, InputError
from sequencer.journal.file import APPLICATION_ID, VERSION
from sequencer.journal.journal import RETRY_S
from sequencer.journal.reading import read_journal
from tests.journal.conftest import NOON, Desk, write_train


def test_what_is_written_is_read(desk: Desk) -> None:
    journal = desk.open()
    journal.write("start")
    desk.clocks.go(0.1)
    journal.write(
        "outcome", "lap-pool", {"ends_on": {"north": frozenset({3, 1})}, "scene": "évening", "cycles": 2}
    )
    assert (journal.trouble, journal.notes) == ("", [])
    journal.close()
    first, second = desk.entries()
    assert first == (NOON, "boot", 0.0, "start", None, {}, 1)
    assert second == (
        NOON + 0.1,
        "boot",
        0.1,
        "outcome",
        "lap-pool",
        {"ends_on": {"north": [1, 3]}, "scene": "évening", "cycles": 2},
        2,
    )


def test_on_the_disk_at_once_and_flushed(desk: Desk) -> None:
    """Another process sees it; and SQLite is told to flush each commit of its write-ahead log."""
    journal = desk.open()
    journal.write("note", None, {"text": "here"})
    with closing(sqlite3.connect(desk.path)) as other:
        assert other.execute("SELECT count(*) FROM entry").fetchone() == (1,)
    assert journal._connection is not None
    assert journal._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert journal._connection.execute("PRAGMA synchronous").fetchone() == (
        2,
    )  # FULL, by SQLite's PRAGMA page
    assert journal._connection.execute("PRAGMA auto_vacuum").fetchone() == (2,)  # INCREMENTAL


def test_carried_over_to_the_next_start(desk: Desk) -> None:
    journal = desk.open()
    journal.write("wish", "lap-pool", {"wish": "hand", "scene": "evening"})
    write_train(journal, desk.clocks, 4)
    journal.write("intent", "terrace", {"scene": "evening"})
    journal.close()
    desk.clocks.unix_s += 60
    desk.clocks.at_s = 0
    journal = desk.open(boot="another")
    journal.write("start")
    assert journal.carried() == {
        "lap-pool": Carried(
            "evening", False, (CarriedWish("hand", "evening", 70.0),), ((60.0, 4),), False, 4
        ),
        "terrace": Carried(open_intent=True),
    }
    assert journal.cycles_total("lap-pool") == 4
    assert journal.cycles_total("nowhere") == 0


def test_a_start_reads_a_week_and_what_came_last(desk: Desk) -> None:
    journal = desk.open()
    journal.write("wish", "lap-pool", {"wish": "steady"})
    for _ in range(30):
        write_train(journal, desk.clocks, 1)
        desk.clocks.go(86_400)
    assert (
        len(journal._read_back()) == 13
    )  # of six days, as a seventh is a minute too old, and one before them
    assert journal.carried()["lap-pool"] == Carried("evening", steady=True, cycles_total=30)


def test_a_second_writer_is_refused(desk: Desk) -> None:
    journal = desk.open()
    with pytest.raises(HardwareError, match="another process is writing this journal; stop it first"):
        desk.open()
    elsewhere = (
        "import sys; from pathlib import Path; from sequencer.journal.journal import open_journal\n"
        "open_journal(Path(sys.argv[1]), now_unix=float, now=float, boot='', limit_mb=1)"
    )
    told = subprocess.run(
        [sys.executable, "-c", elsewhere, desk.path], check=False, capture_output=True, text=True, timeout=30
    )
    assert "another process is writing this journal" in told.stderr
    journal.close()
    desk.open().close()


def of_a_later_version(path: Path) -> None:
    with closing(sqlite3.connect(path)) as file:
        file.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        file.execute(f"PRAGMA user_version = {VERSION + 1}")


def of_another_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as file:
        file.execute("CREATE TABLE entry (id)")


def text(path: Path) -> None:
    path.write_text("Tuesday: fished a hat out of the pool\n" * 200)


def a_folder(path: Path) -> None:
    path.mkdir()


def a_log_alone(path: Path) -> None:
    path.with_name(f"{path.name}-wal").write_bytes(b"\x37\x7f\x06\x82" * 2000)


def a_folder_for_a_log(path: Path) -> None:
    path.with_name(f"{path.name}-wal").mkdir()


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (
            of_a_later_version,
            f"a later version of this program wrote it (format {VERSION + 1}, known is {VERSION})",
        ),
        (of_another_program, "it is not a journal of this program"),
        (text, "file is not a database"),
        (a_folder, "journal.sqlite3 cannot be read and written"),
        (a_log_alone, "its write-ahead log is there, but the main file is missing or empty"),
        (a_folder_for_a_log, "journal.sqlite3-wal cannot be read and written"),
    ],
)
def test_a_file_that_is_none_is_set_aside(make: Callable[[Path], None], why: str, desk: Desk) -> None:
    make(desk.path)
    before = {path.name: path.read_bytes() for path in desk.path.parent.iterdir() if path.is_file()}
    journal = desk.open()
    [note] = journal.notes
    name = "journal.sqlite3.aside-2026-11-25T170000Z"
    assert note.startswith(f"the journal was set aside as {desk.path.with_name(name)}, and a new one begun: ")
    assert why in note
    after = {
        path.name.replace(name, desk.path.name): path.read_bytes() for path in desk.aside() if path.is_file()
    }
    assert {name: after[name] for name in before} == before
    journal.write("start")
    assert journal.trouble == ""
    journal.close()
    assert [entry.kind for entry in desk.entries()] == ["note", "start"]
    assert desk.entries()[0].detail == {"text": note}


def test_nothing_that_was_set_aside_is_overwritten(desk: Desk) -> None:
    for number in range(3):
        text(desk.path)
        desk.open().close()
        assert len(desk.aside()) == number + 1
        text(desk.path)
    assert [path.name[-2:] for path in desk.aside()] == ["0Z", "-2", "-3"]


def test_what_can_be_read_of_a_damaged_file_is_carried_over(desk: Desk) -> None:
    journal = desk.open()
    for _ in range(200):
        write_train(journal, desk.clocks, 2)
    journal.write("wish", "lap-pool", {"wish": "asked", "scene": "quiet"})
    journal.close()
    wreck_a_page_of_entries(desk.path)
    journal = desk.open()
    assert "its relay counts were carried over" in journal.notes[0]
    assert journal.cycles_total("lap-pool") == 400
    assert journal.carried()["lap-pool"].scene == "quiet"
    write_train(journal, desk.clocks, 1)
    journal.close()
    assert desk.open().cycles_total("lap-pool") == 401


def wreck_a_page_of_entries(path: Path) -> None:
    """Fill a page from the middle of the largest table with what no page is."""
    with closing(sqlite3.connect(path)) as file:
        [(page,)] = file.execute(
            "SELECT pageno FROM dbstat WHERE name = 'entry' AND pagetype = 'leaf' ORDER BY pageno LIMIT 1 OFFSET 2"
        ).fetchall()
    with path.open("r+b") as raw:
        raw.seek((page - 1) * 4096)
        raw.write(b"\xa5" * 4096)


def test_damage_that_shows_while_it_runs(desk: Desk) -> None:
    """As found by the deletion of old entries; nothing that is known is lost, and it is said once an hour."""
    journal = desk.open()
    for _ in range(200):
        write_train(journal, desk.clocks, 2)
    journal.write("wish", "lap-pool", {"wish": "steady"})
    assert journal._connection is not None
    journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    journal._connection.execute("PRAGMA cache_size = 0")
    journal._connection.execute("PRAGMA shrink_memory")
    for page in (2, 3, 4, 5):
        with desk.path.open("r+b") as raw:
            raw.seek((page - 1) * 4096)
            raw.write(b"\xa5" * 4096)
    write_train(journal, desk.clocks, 2)
    assert journal.trouble == ""
    assert len(journal.notes) == 1
    assert journal.cycles_total("lap-pool") == 402
    assert journal.carried()["lap-pool"].steady
    journal.close()
    assert desk.open().carried()["lap-pool"] == Carried(
        "evening", True, (), ((10.0, 2), (0.0, 2)), False, 402
    )


def test_a_row_that_was_changed_is_not_believed(desk: Desk) -> None:
    journal = desk.open()
    journal.write("wish", "lap-pool", {"wish": "hand", "scene": "evening"})
    journal.write("wish", "lap-pool", {"wish": "hand", "scene": "quiet"})
    journal.close()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as file:
        file.execute("UPDATE entry SET detail = replace(detail, 'quiet', 'quieu')")
    read = read_journal(desk.path, 10)
    assert read is not None
    assert ([entry.detail["scene"] for entry in read.entries], read.damaged) == (["evening"], 1)
    assert desk.open().carried()["lap-pool"].scene == "evening"


def test_somebody_removes_the_file_meanwhile(desk: Desk) -> None:
    journal = desk.open()
    write_train(journal, desk.clocks, 3)
    desk.path.unlink()
    write_train(journal, desk.clocks, 3)
    assert journal.trouble == ""
    assert journal.notes[0] == "the journal's file was removed while it was in use, and a new one begun"
    journal.close()
    assert [entry.kind for entry in desk.entries()][-2:] == ["intent", "outcome"]
    assert desk.open().carried()["lap-pool"].cycles_total == 6


def test_somebody_puts_an_older_copy_in_its_place(desk: Desk) -> None:
    """What that one counts is believed; nothing is counted twice."""
    journal = desk.open()
    write_train(journal, desk.clocks, 3)
    journal.close()
    copy = desk.path.read_bytes()
    journal = desk.open()
    write_train(journal, desk.clocks, 5)
    desk.path.unlink()
    desk.path.with_name(f"{desk.path.name}-wal").unlink()
    desk.path.write_bytes(copy)
    write_train(journal, desk.clocks, 10)
    assert journal.trouble == ""
    journal.close()
    assert desk.open().cycles_total("lap-pool") == 13


def test_a_locked_file_is_tried_again_later(desk: Desk) -> None:
    """By a program that should not be there."""
    journal = desk.open()
    with closing(sqlite3.connect(desk.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        write_train(journal, desk.clocks, 3)
        assert (
            journal.trouble == "the journal cannot be written (database is locked); entries kept in memory: 2"
        )
        other.execute("COMMIT")
    desk.clocks.go(RETRY_S)
    journal.catch_up()
    assert journal.trouble == ""
    journal.close()
    assert [entry.kind for entry in desk.entries()] == ["intent", "outcome"]


def test_a_folder_that_cannot_be_made(folder: Path, desk: Desk) -> None:
    (folder / "file").write_text("")
    journal = Desk(folder / "file" / "journal.sqlite3", desk.clocks).open()
    journal.write("start")
    assert f"{folder / 'file'}: File exists" in journal.trouble
    assert journal.carried() == {}
    journal.close()


def test_a_journal_opened_late_that_another_writes_by_then(folder: Path, desk: Desk) -> None:
    """Trouble, not an error in the midst of a train."""
    (folder / "site").write_text("")
    late = Desk(folder / "site" / "journal.sqlite3", desk.clocks)
    journal = late.open()
    (folder / "site").unlink()
    other = late.open()
    desk.clocks.go(RETRY_S)
    journal.write("start")
    assert "another process is writing this journal" in journal.trouble
    other.close()
    desk.clocks.go(RETRY_S)
    journal.catch_up()
    assert journal.trouble == ""


def test_reading_refuses_what_is_no_journal(desk: Desk) -> None:
    assert read_journal(desk.path, 10) is None
    of_a_later_version(desk.path)
    with pytest.raises(InputError, match="a later version of this program wrote it"):
        read_journal(desk.path, 10)
    desk.path.write_bytes(b"")
    assert read_journal(desk.path, 10) is None
    assert os.listdir(desk.path.parent) == [desk.path.name]  # noqa: PTH208 - reading makes no files


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user")
@pytest.mark.parametrize("running", [True, False])
def test_reading_as_another_user(running: bool, desk: Desk) -> None:
    """While the daemon runs; afterwards SQLite would have to make files of its own in a folder of the daemon's."""
    journal = desk.open()
    journal.write("start")
    if not running:
        journal.close()
    desk.path.parent.chmod(0o755)
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setuid(65534)
            read = read_journal(desk.path, 10)
            status = 0 if read is not None and len(read.entries) == 1 else 2
        except InputError as error:
            status = 3 if "try as the user whom the daemon runs as" in str(error) else 4
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == (0 if running else 3)


def test_reading_while_another_process_writes(
    desk: Desk, writer: Callable[..., subprocess.Popen[str]]
) -> None:
    """Whole entries, in order, none missing, and never an error."""
    child = writer(desk.path, "3000")
    assert child.stdout is not None
    seen = 0
    while child.stdout.readline() and child.poll() is None and seen < 2000:
        read = read_journal(desk.path, 1_000_000)
        assert read is not None
        assert [entry.id for entry in read.entries] == list(range(1, len(read.entries) + 1))
        outcomes = sum(entry.kind == "outcome" for entry in read.entries)
        assert sum(day.cycles for day in read.days) == outcomes
        assert len(read.entries) >= seen
        seen = len(read.entries)
    assert seen > 10
