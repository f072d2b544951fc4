"""Locks: one holder, told by its process, on a sound disk and without any."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from sequencer.player import alone
from sequencer.player.alone import TakenError, is_taken, take, wait_until_free
from tests.failing_disk import disk_that_fails

if TYPE_CHECKING:
    from pytest_mock import MockerFixture

HOLDER = """
import sys
from pathlib import Path
from sequencer.player.alone import take
lock = take(Path(sys.argv[1]))
print(len(lock.descriptors), flush=True)
sys.stdin.read()
"""


@contextmanager
def held_elsewhere(path: Path) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """Another process that holds the lock until its input ends, and in how many places it does."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        yield holder, int(holder.stdout.readline())
        assert holder.stdin is not None
        holder.stdin.close()


@pytest.fixture(autouse=True)
def no_service(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "none"))


@pytest.mark.parametrize("works", [True, False], ids=["sound disk", "failing disk"])
def test_the_second_is_told_who_holds_it(tmp_path: Path, works: bool) -> None:
    path = tmp_path / "site" / "serve"
    if works:
        path.parent.mkdir()
    else:
        (tmp_path / "site").touch()  # a file where the folder should be: no user can do anything below it
    with held_elsewhere(path) as (holder, places):
        assert places == (2 if works else 1)
        assert is_taken(path)
        with pytest.raises(TakenError) as taken:
            take(path)
        assert taken.value.pid == holder.pid
    assert not is_taken(path)
    take(path).close()


def test_a_disk_that_fails_later_hides_no_holder(tmp_path: Path) -> None:
    path = tmp_path / "serve"
    with held_elsewhere(path) as (holder, _), disk_that_fails(tmp_path, first=1):
        assert is_taken(path)
        with pytest.raises(TakenError) as taken:
            take(path)
        assert taken.value.pid == holder.pid


def test_the_file_alone_is_enough(tmp_path: Path, mocker: MockerFixture) -> None:
    """As between a service, which has a network namespace of its own, and a command typed beside it."""
    path = tmp_path / "serve"
    with held_elsewhere(path) as (holder, _):
        mocker.patch.object(alone, "_names", return_value=())
        assert is_taken(path)
        with pytest.raises(TakenError) as taken:
            take(path)
        assert taken.value.pid == holder.pid


def test_so_is_the_service_s_folder(
    tmp_path: Path, mocker: MockerFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a service whose state cannot be written, seen from another network namespace."""
    (tmp_path / "run").mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    path = tmp_path / "none" / "lap-pool.json"
    with held_elsewhere(path) as (_, places):
        assert places == 2
        mocker.patch.object(alone, "_names", return_value=())
        assert is_taken(path)


def test_a_lock_file_that_can_only_be_read_holds(tmp_path: Path) -> None:
    """As on a disk that was made read-only after it had been used."""
    path = tmp_path / "serve"
    take(path).close()
    real = os.open

    def read_only(file: Path, flags: int, *more: int) -> int:
        if flags & os.O_RDWR:
            raise OSError(30, "Read-only file system")
        return real(file, flags, *more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "open", read_only)
        lock = take(path)
    assert len(lock.descriptors) == 2
    lock.close()


@pytest.mark.parametrize("works", [True, False], ids=["sound disk", "failing disk"])
def test_waiting_ends_with_the_holder(tmp_path: Path, works: bool) -> None:
    path = tmp_path / "lap-pool.json"
    with held_elsewhere(path) as (holder, _), nullcontext() if works else disk_that_fails(tmp_path, first=1):
        waiting = threading.Thread(target=wait_until_free, args=(path,))
        waiting.start()
        assert waiting.is_alive()
        holder.kill()
        waiting.join(20)
        assert not waiting.is_alive()


def test_links_lead_to_the_same_lock_without_any_file(tmp_path: Path, mocker: MockerFixture) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "link").symlink_to("there")
    mocker.patch.object(alone, "_files", return_value=())
    lock = take(tmp_path / "there" / "serve")
    assert is_taken(tmp_path / "link" / "serve")
    lock.close()


def test_another_user_cannot_keep_it_from_starting(tmp_path: Path, mocker: MockerFixture) -> None:
    """Addresses in the abstract namespace are anybody's."""
    path = tmp_path / "serve"
    (name,) = alone._names(path)
    with socket.socket(socket.AF_UNIX) as squatter:
        squatter.bind(name)
        squatter.listen()
        mocker.patch.object(os, "geteuid", return_value=1000)
        mocker.patch.object(alone, "peer_of", return_value=(77, 1001))
        assert not is_taken(path)
        lock = take(path)
        assert len(lock.descriptors) == 1
        lock.close()
        mocker.patch.object(os, "geteuid", return_value=0)
        with pytest.raises(TakenError):
            take(path)
