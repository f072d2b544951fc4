"""The log of a train, kept in a file until somebody has taken note of it.

One file a circuit. The player locks its neighbour (``NAME.lock``) for as long as it lives, removes what an
earlier train left, and writes its own log once the relay is at rest. So the next start finds

- the lock taken: a player whose parent died is still sending its train (:func:`is_playing`);
- a log (:func:`read_kept`): that train's, whole;
- neither: nothing was sent since, or the board itself lost power in a train.
"""

from __future__ import annotations

import fcntl
import json
import os
from pathlib import Path
from typing import NamedTuple

from sequencer.errors import HardwareError, InputError
from sequencer.player.job import (
    Job,
    PlayResult,
    job_from_json,
    job_to_json,
    result_from_json,
    result_to_json,
)


class KeptLog(NamedTuple):
    """What was to be played, and what was."""

    job: Job
    result: PlayResult


def path_for(site: str, circuit: str) -> Path:
    """Where a circuit's log is kept: under systemd's ``STATE_DIRECTORY``, else the user's own state.

    >>> import os
    >>> os.environ["STATE_DIRECTORY"] = "/var/lib/lampstep"
    >>> str(path_for("Quarry Lane lido", "lap-pool"))
    '/var/lib/lampstep/Quarry%20Lane%20lido/lap-pool.json'
    >>> del os.environ["STATE_DIRECTORY"]
    """
    from sequencer.journal.folder import file_name, site_folder  # noqa: PLC0415 - the player comes not here

    return site_folder(site) / f"{file_name(circuit)}.json"


def lock(path: Path) -> int:
    """Take the circuit's lock for the rest of this process and remove what an earlier train left.

    :returns: the descriptor that holds the lock.
    :raises HardwareError: another player has it.
    :raises InputError: the directory cannot be written.
    """
    try:
        descriptor = os.open(_lock_of(path), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            raise _taken(path) from None
        path.unlink(missing_ok=True)
    except OSError as error:
        raise InputError(f"{path}: the log cannot be kept there: {error.strerror}") from error
    return descriptor


def is_playing(path: Path) -> bool:
    """Whether a player holds the circuit's lock now."""
    try:
        descriptor = os.open(_lock_of(path), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def refuse_if_playing(path: Path) -> None:
    """For what must not come into the middle of a train; raises HardwareError if one is being sent."""
    if is_playing(path):
        raise _taken(path)


def wait_until_played(path: Path) -> None:
    """Return when no player holds the circuit's lock any more."""
    try:
        descriptor = os.open(_lock_of(path), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH)
    finally:
        os.close(descriptor)


def write_kept(path: Path, kept: KeptLog) -> None:
    """All or nothing, and on the disk when it returns: a new file, synced, in the old one's place."""
    new = path.with_name(f"{path.name}.new")
    text = json.dumps({"job": job_to_json(kept.job), "result": result_to_json(kept.result)})
    with new.open("w") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    directory = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


def read_kept(path: Path) -> KeptLog | None:
    """The log kept at ``path``; None when there is none.

    :raises InputError: it cannot be read, or is not such a log.
    """
    try:
        given = json.loads(path.read_text())
        return KeptLog(job_from_json(given["job"]), result_from_json(given["result"]))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (InputError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path}: not the log of a train ({error}); remove it") from error


def forget_kept(path: Path) -> None:
    """Remove the log once its news is safe elsewhere."""
    path.unlink(missing_ok=True)


def _lock_of(path: Path) -> Path:
    return path.with_name(f"{path.name}.lock")


def _taken(path: Path) -> HardwareError:
    words = "another player is still sending a train on this circuit; wait until it is done"
    return HardwareError(f"{path.stem}: {words}")
