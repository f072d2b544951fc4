"""The log of a train, kept in a file until somebody has taken note of it.

One file a circuit. The player holds its lock (:mod:`sequencer.player.alone`) for as long as it lives, removes what
an earlier train left, and writes its own log once the relay is at rest. So the next start finds

- the lock taken: a player whose parent died is still sending its train (:func:`is_playing`);
- a log (:func:`read_kept`): that train's, whole;
- neither: nothing was sent since, or the board itself lost power in a train.

A disk that fails costs the log and nothing else: the train is sent all the same.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import NamedTuple

from sequencer.errors import HardwareError, InputError
from sequencer.player import alone
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
    from sequencer.journal.folder import file_name, site_folder  # noqa: PLC0415 - not in the player's process

    return site_folder(site) / f"{file_name(circuit)}.json"


def lock(path: Path) -> tuple[alone.Lock, str]:
    """Take the circuit's lock and remove what an earlier train left.

    :returns: the lock, held until it is closed or the process ends, and why an earlier train's log could not be
        removed, or empty.
    :raises HardwareError: another player has it.
    """
    try:
        taken = alone.take(path)
    except alone.TakenError:
        raise _taken(path) from None
    return taken, forget_kept(path)


def is_playing(path: Path) -> bool:
    """Whether a player holds the circuit's lock now."""
    return alone.is_taken(path)


def refuse_if_playing(path: Path) -> None:
    """For what must not come into the middle of a train; raises HardwareError if one is being sent."""
    if is_playing(path):
        raise _taken(path)


def wait_until_played(path: Path) -> None:
    """Return when no player holds the circuit's lock any more."""
    alone.wait_until_free(path)


def write_kept(path: Path, kept: KeptLog) -> None:
    """All or nothing, and on the disk when it returns: a new file, synced, in the old one's place."""
    new = path.with_name(f"{path.name}.new")
    text = json.dumps({"job": job_to_json(kept.job), "result": result_to_json(kept.result)})
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC
    with os.fdopen(os.open(new, flags, alone.MODE), "w") as file:
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
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (InputError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path}: not the log of a train ({error}); remove it") from error


def forget_kept(path: Path) -> str:
    """Remove the log once its news is safe elsewhere; why that cannot be done, or empty."""
    try:
        path.unlink(missing_ok=True)
    except NotADirectoryError:  # its folder is none: then there is no log
        pass
    except OSError as error:
        return f"{path}: the log of a train could not be removed: {error.strerror}"
    return ""


def _taken(path: Path) -> HardwareError:
    words = "another player is still sending a train on this circuit; wait until it is done"
    return HardwareError(f"{path.stem}: {words}")
