"""Files that a command writes only where there is none yet."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from sequencer.errors import InputError
from sequencer.tomlfile import printable


@contextmanager
def opened_new(name: str) -> Iterator[IO[str]]:
    """A file that is not there yet; removed again if it comes to nothing.

    :raises InputError: it is there, or cannot be made.
    """
    path = Path(name)
    try:
        file = path.open("x", encoding="utf-8")
    except FileExistsError:
        words = "is there already: name a new file, or remove it first"
        raise InputError(f"{printable(name)}: {words}") from None
    except (OSError, ValueError) as error:
        raise _unwritable(name, error) from None
    with file:
        try:
            yield file
        except BaseException:
            path.unlink(missing_ok=True)
            raise


def write_new(name: str, text: str) -> None:
    """Write a file that is not there yet; raises InputError where that cannot be."""
    with opened_new(name) as file:
        try:
            file.write(text)
            file.flush()
        except OSError as error:
            raise _unwritable(name, error) from None


def _unwritable(name: str, error: OSError | ValueError) -> InputError:
    return InputError(f"{printable(name)}: cannot be written: {getattr(error, 'strerror', error)}")
