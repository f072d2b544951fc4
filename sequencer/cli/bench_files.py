"""``--out`` and ``--report`` of the bench's commands: new files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from sequencer.bench.report import Kind, html_report
from sequencer.datasheet import Datasheet
from sequencer.errors import HardwareError, InputError


def new_file(name: str | None, option: str) -> Path | None:
    """The path, which must not be there yet, in a folder that is: a run takes hours. InputError otherwise."""
    path = None if name is None else in_a_folder(name, option)
    if path is not None and path.exists():
        raise InputError(
            f"{path}: is there already, and is not written over: name another file with {option}"
        )
    return path


def in_a_folder(name: str, option: str) -> Path:
    """The path of a file that is there or can be made; InputError where no file can be of that name."""
    path = Path(name)
    try:
        path.exists()  # raises for a name that is too long
        there = path.parent.is_dir()
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: {words}: name another file with {option}") from error
    if not there:
        raise InputError(f"{path}: there is no folder {path.parent}: name another file with {option}")
    return path


def write_sheet(out: Path, text: str, kept: Path) -> None:
    """Write a datasheet. HardwareError when it cannot be written, with where the run is ``kept``."""
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise HardwareError(f"{out}: cannot be written: {error.strerror}; kept in {kept}") from error


def write_report(
    path: Path, kind: Kind, fields: Mapping[str, object], sheet: Datasheet | None = None
) -> None:
    """Write the report of what ``--json`` would print. HardwareError when it cannot be written."""
    text = html_report(kind, fields, sheet, datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"))
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise HardwareError(f"{path}: the report cannot be written: {error.strerror}") from error
