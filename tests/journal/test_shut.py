"""Nobody else reads the journal, whatever the umask; a disk that can only be read still says what was wanted."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.journal.folder import file_name, make_folder, socket_path
from sequencer.player.job import Job, PlayResult
from sequencer.player.kept import KeptLog, path_for, write_kept
from sequencer.train import Delays, EdgeLog, Train
from tests.journal.conftest import Desk, write_train


@pytest.fixture(params=[0o000, 0o022, 0o077], ids=oct)
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    return {each.name: stat.S_IMODE(each.stat().st_mode) for each in [folder, *folder.rglob("*")]}


def test_others_may_read_nothing_of_it(desk: Desk, umask: int) -> None:
    deep = desk.path.parent / "state" / "site"
    journal = desk._replace(path=deep / "journal.sqlite3").open()
    write_train(journal, desk.clocks, 1)
    job = Job(Train(()), Delays(), {"driver": "simulated"})
    write_kept(deep / "lap-pool.json", KeptLog(job, PlayResult(EdgeLog((), "finished"), 0.0, 0.0)))
    found = modes(deep.parent)
    journal.close()
    folders = {name: mode for name, mode in found.items() if name in {"state", "site"}}
    assert folders == dict.fromkeys(("state", "site"), 0o750 & ~umask)
    files = {name: mode for name, mode in found.items() if name not in folders}
    assert set(files) == {
        "journal.sqlite3",
        "journal.sqlite3-wal",
        "journal.sqlite3-shm",
        "journal.sqlite3.lock",
        "lap-pool.json",
    }
    assert set(files.values()) == {0o640 & ~umask}


def test_a_journal_that_others_could_read_is_shut(desk: Desk) -> None:
    desk.open().close()
    desk.path.chmod(0o664)
    desk.open().close()
    assert stat.S_IMODE(desk.path.stat().st_mode) == 0o660


def test_a_disk_that_can_only_be_read_says_what_was_wanted_and_counted(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = desk.open()
    journal.write("wish", "lap-pool", {"wish": "steady"})
    write_train(journal, desk.clocks, 2)
    before = journal.carried()
    journal.close()
    real = os.open

    def read_only(path: Path, flags: int, *more: int) -> int:
        if flags & (os.O_RDWR | os.O_WRONLY | os.O_CREAT):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), os.fspath(path))
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", read_only)
    journal = desk.open()
    assert "Read-only file system" in journal.trouble
    assert journal.carried() == before
    assert before["lap-pool"].steady
    assert journal.cycles_total("lap-pool") == 2
    monkeypatch.setattr(os, "open", real)
    write_train(journal, desk.clocks, 1)
    desk.clocks.go(60)
    journal.catch_up()
    assert journal.trouble == ""
    assert journal.cycles_total("lap-pool") == 3
    journal.close()


@pytest.mark.parametrize(
    "name",
    ["..", ".", ".hidden", "...", "a/b", "/", "../..", "bad\0name", "", "x" * 300, "бассейн" * 8, "..\\.."],
)
def test_no_name_leads_out_of_its_folder(name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    for path in (path_for(name, "c").parent, socket_path(name), path_for("s", name)):
        assert path.resolve().parent in {tmp_path, tmp_path / "s"}
        assert path.resolve().name == path.name
        assert not path.name.startswith(".")
        assert len(path.name) <= 75
        make_folder(path.parent)
        path.touch()
        path.unlink()


def test_each_name_has_a_file_of_its_own() -> None:
    names = ["..", ".", "%2E.", "%2E", "...", "", "a/b", "a%2Fb", "x" * 60, "x" * 300, "x" * 301, "х" * 60]
    assert len({file_name(name) for name in names}) == len(names) - 1
    assert file_name("") == file_name(".")  # no site or circuit may be called nothing
