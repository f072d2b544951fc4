"""What the commands of the bench do before the first train: their files, and whether the lamp may run."""

from __future__ import annotations

import sys
from pathlib import Path

from sequencer.bench.rigfile import Rig, load_rig
from sequencer.cli.answer import BROKEN_OFF
from sequencer.cli.arguments import Arguments
from sequencer.cli.bench_files import in_a_folder
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.errors import InputError, LampstepError
from sequencer.journal.folder import make_folder, site_folder

CAUTION = (
    "A lamp that is made to run under water only gets hot dry: run it as its instructions say. It is about to flash: "
    "whoever may be prone to seizures looks away. Mains is for licensed people, under your local code."
)


class NotBegun(LampstepError):  # noqa: N818 - no error: the lamp may be dry
    """The user was asked and did not say that the lamp may run."""

    exit_status = BROKEN_OFF


def sheet_and_rig(arguments: Arguments) -> tuple[Datasheet, Rig]:
    """Both files; InputError with the problems of both."""
    problems: list[str] = []
    sheet = rig = None
    try:
        sheet = load_datasheet(arguments.datasheet)
    except InputError as error:
        problems += error.problems
    try:
        rig = load_rig(arguments.rig)
    except InputError as error:
        problems += error.problems
    if sheet is None or rig is None:
        raise InputError(problems)
    return sheet, rig


def kept_at(arguments: Arguments, name: str) -> Path:
    """Where the run is kept: as asked, else under this name beside the logs of trains."""
    if arguments.resume is not None:
        return in_a_folder(arguments.resume, "--resume")
    try:
        folder = site_folder("bench")
        make_folder(folder)
    except (RuntimeError, OSError) as error:
        raise InputError(f"nowhere to keep the run ({error}): name a file with --resume") from error
    return folder / name


def may_it_run(*, sure: bool) -> None:
    """Say the caution, and ask unless the user is ``sure``.

    :raises NotBegun: the user did not say yes.
    :raises InputError: there is no terminal to ask at.
    """
    say(CAUTION)
    if sure:
        return
    if sys.stdin is None or not sys.stdin.isatty():
        raise InputError(
            "bench: the rig is real, and there is no terminal to ask: see to the lamp, then add --yes"
        )
    sys.stderr.write("May the lamp run where it is now, wet if it must be? Type yes to begin: ")
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() != "yes":
        raise NotBegun("Not begun.")


def say(line: str) -> None:
    """A line of progress, on standard error where there is one."""
    if sys.stderr is not None:
        sys.stderr.write(line + "\n")
        sys.stderr.flush()


def say_notes(notes: tuple[str, ...]) -> None:
    """What is doubtful about the stand, a line each."""
    for note in notes:
        say(f"Note: {note.rstrip('.')}.")
