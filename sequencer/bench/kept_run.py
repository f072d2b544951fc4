"""A run of the bench as a JSON file, whichever command's: written whole after every answer, read back by the same."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from sequencer.bench.stand import Spent
from sequencer.errors import HardwareError, InputError

MAX_BYTES = 64 * 1024 * 1024

T = TypeVar("T")


def write_whole(path: Path, fields: Mapping[str, object]) -> None:
    """Write a JSON object to a file, all or nothing. Raises HardwareError when it cannot be written."""
    new = path.with_name(f"{path.name}.new")
    try:
        with new.open("w", encoding="utf-8") as file:
            json.dump(fields, file)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise HardwareError(f"{path}: the run cannot be kept there: {error.strerror}") from error


def read_whole(path: Path, bench: str) -> dict[str, Any]:
    """What ``lampstep bench`` and this word kept there; InputError when it is nothing of the kind."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"{path}: too long to be a run of the bench")
        given = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: no run of lampstep bench {bench} ({error})") from error
    if not isinstance(given, dict) or given.get("bench") != bench:
        raise InputError(f"{path}: no run of lampstep bench {bench}: name another file")
    return given


def taken_up(path: Path, bench: str, course: str, read: Callable[[dict[str, Any]], T]) -> tuple[T, Spent]:
    """What ``read`` makes of the run kept there, and what it had spent; ``course``: the digest that it must have.

    :raises InputError: it is none, or of another lamp, rig or options.
    """
    given = read_whole(path, bench)
    try:
        if given["course"] != course:
            words = "it was begun with another datasheet, rig or options: give those again, or another file"
            raise InputError(f"{path}: this run cannot be gone on with: {words}")
        spent = Spent(int(given["spent"]["relay_cycles"]), float(given["spent"]["seconds"]))
        return read(given), spent
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        words = f"no run of lampstep bench {bench} ({type(error).__name__}: {error})"
        raise InputError(f"{path}: {words}") from error
