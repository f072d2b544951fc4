"""The way of one command, from what was typed to an exit status; nothing ends in a traceback."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable, Sequence
from importlib import import_module

from sequencer.cli.answer import BROKEN_OFF, BUG, HARDWARE, Answer
from sequencer.cli.arguments import parse
from sequencer.cli.start import lean_imports
from sequencer.errors import InputError, LampstepError
from sequencer.layout import fitted, width_for
from sequencer.tomltext import MAX_SHOWN_PATH, printable, shown_path


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    given = sys.argv[1:] if argv is None else list(argv)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot show is no fault
    try:
        return _told(_answer(given), as_json="--json" in given)
    except KeyboardInterrupt:
        _complain(["broken off"])
        return BROKEN_OFF


def _answer(given: Sequence[str]) -> Answer:
    """The command's answer, or that it could not be had, and why."""
    try:
        arguments = parse(given)
        with lean_imports():
            command = import_module(f"sequencer.cli.{arguments.command}")
        answer: Answer = command.run(arguments)
    except SystemExit as end:  # --help and --version have been printed
        return Answer(int(end.code or 0), {}, "")
    except KeyboardInterrupt:
        return _failed(BROKEN_OFF, ["broken off"])
    except LampstepError as error:
        problems = error.problems if isinstance(error, InputError) else [str(error)]
        return _failed(error.exit_status, [_without_long(given, problem) for problem in problems])
    except Exception as error:
        if "--debug" in given:
            from traceback import print_exc  # noqa: PLC0415

            print_exc()
        where = f"{type(error).__name__}: {error}"
        return _failed(BUG, [f"lampstep: a fault of this program, not yours: {where} (--debug shows where)"])
    return answer


def _without_long(given: Iterable[str], problem: str) -> str:
    """A problem that repeats no long argument whole, as a path with spaces in it."""
    values = [word.partition("=")[2] for word in given if word.startswith("--")]
    for word in (*given, *values):
        if len(word) > MAX_SHOWN_PATH:
            problem = problem.replace(word, shown_path(word)).replace(printable(word), shown_path(word))
    return problem


def _failed(status: int, problems: Iterable[str]) -> Answer:
    return Answer(status, {"errors": [_one_line(problem) for problem in problems]}, "")


def _one_line(text: str) -> str:
    """Nothing that a terminal would obey, whatever was typed, and no word of it so long that it hides the rest."""
    return re.sub(rf"\S{{{MAX_SHOWN_PATH + 1},}}", lambda word: shown_path(word[0]), printable(text))


def _told(answer: Answer, *, as_json: bool) -> int:
    """Print the answer and return its status."""
    try:
        if as_json and answer.fields:
            import json  # noqa: PLC0415 - a start of milliseconds

            print(json.dumps(answer.fields), flush=True)  # noqa: T201 - what a command is for
        elif "errors" in answer.fields:
            _complain(answer.fields["errors"])  # type: ignore[arg-type]
        elif answer.text:
            print(fitted(answer.text, width_for(sys.stdout)), flush=True)  # noqa: T201
        elif sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:  # whoever read it has read enough
        _forget_stdout()
    except OSError as error:
        _forget_stdout()
        _complain([f"lampstep: the answer could not be written: {error.strerror}"])
        return HARDWARE
    return answer.status


def _complain(lines: Iterable[str]) -> None:
    width = width_for(sys.stderr)
    try:
        for line in lines:
            print(fitted(line, width), file=sys.stderr, flush=True)  # noqa: T201
    except OSError:
        pass  # nobody listens; the exit status still says it


def _forget_stdout() -> None:
    """Let what is still buffered go nowhere, or Python complains of it at its end."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
