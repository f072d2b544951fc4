"""Kept logs: whole or not there, and damage is said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import HardwareError, InputError
from sequencer.player.job import Job, PlayResult, job_from_json, job_to_json, result_from_json, result_to_json
from sequencer.player.kept import (
    KeptLog,
    forget_kept,
    is_playing,
    lock,
    path_for,
    read_kept,
    write_kept,
)
from sequencer.train import Delays, EdgeLog, Pulse, Stamp, Train

if TYPE_CHECKING:
    from pathlib import Path

    from pytest_mock import MockerFixture

SIMULATED = {"driver": "simulated", "contact": "normally_closed"}
JOB = Job(Train((Pulse(0.1, 0.3),), 0.1 + 0.2), Delays(), SIMULATED, (0.03, 0.03), 60, "/var/lib/x/log.json")
RESULT = PlayResult(
    EdgeLog((Stamp(0.3, 0.2945, 0.29450001, False),), "broken off", "SIGINT", None, False),
    12345.6789,
    1790000000.5,
    (1,),
    ("a note",),
)

seconds = st.floats(allow_nan=False, allow_infinity=False)
bounds = st.tuples(seconds, seconds)


@given(
    pulses=st.lists(st.builds(Pulse, seconds, seconds), max_size=4).map(tuple),
    delays=st.builds(Delays, bounds, bounds),
    tolerance_s=st.lists(seconds, max_size=4).map(tuple),
    lead_in_s=seconds,
)
def test_a_job_survives_json(
    pulses: tuple[Pulse, ...], delays: Delays, tolerance_s: tuple[float, ...], lead_in_s: float
) -> None:
    job = Job(Train(pulses, lead_in_s), delays, SIMULATED, tolerance_s)
    assert job_from_json(job_to_json(job)) == job


def test_a_result_survives_json() -> None:
    assert result_from_json(result_to_json(RESULT)) == RESULT


@pytest.mark.parametrize(
    "given", [None, [], {}, {"log": {}}, {**result_to_json(RESULT), "log": {"stamps": 3}}]
)
def test_what_is_no_result(given: object) -> None:
    with pytest.raises(InputError, match="this is no result"):
        result_from_json(given)


def test_written_read_and_forgotten(tmp_path: Path) -> None:
    path = tmp_path / "log.json"
    assert read_kept(path) is None
    write_kept(path, KeptLog(JOB, RESULT))
    assert read_kept(path) == KeptLog(JOB, RESULT)
    assert [file.name for file in tmp_path.iterdir()] == ["log.json"]
    forget_kept(path)
    forget_kept(path)
    assert read_kept(path) is None


def test_a_log_half_written_never_stands_in_the_old_ones_place(tmp_path: Path, mocker: MockerFixture) -> None:
    path = tmp_path / "log.json"
    write_kept(path, KeptLog(JOB, RESULT))
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    with pytest.raises(OSError, match="No space"):
        write_kept(path, KeptLog(JOB._replace(keep=None), RESULT))
    assert read_kept(path) == KeptLog(JOB, RESULT)


@pytest.mark.parametrize("content", [b"", b"{", b"\xff", b"[]", b'{"job": {}, "result": {}}', b"null"])
def test_damage_is_said_with_the_files_name(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "log.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"log\.json: not the log of a train .*; remove it"):
        read_kept(path)


def test_a_directory_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_kept(tmp_path)


def test_the_lock_is_for_one_and_clears_what_was_left(tmp_path: Path) -> None:
    path = tmp_path / "lap-pool.json"
    write_kept(path, KeptLog(JOB, RESULT))
    assert not is_playing(path)
    held, left = lock(path)
    assert left == ""
    assert read_kept(path) is None
    assert is_playing(path)
    with pytest.raises(HardwareError, match="lap-pool: another player"):
        lock(path)
    held.close()
    assert not is_playing(path)


@pytest.mark.parametrize(
    ("environment", "directory"),
    [
        ({"STATE_DIRECTORY": "/var/lib/lampstep:/var/lib/more"}, "/var/lib/lampstep"),
        ({"XDG_STATE_HOME": "/home/pat/state"}, "/home/pat/state/lampstep"),
        ({"HOME": "/home/pat"}, "/home/pat/.local/state/lampstep"),
    ],
)
def test_where_logs_are_kept(
    environment: dict[str, str], directory: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("STATE_DIRECTORY", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert str(path_for("a/b", "..")) == f"{directory}/a%2Fb/%2E..json"
