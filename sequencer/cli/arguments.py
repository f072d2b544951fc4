"""What may be typed, and what was: every misfit as a plain line of its own."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, NoReturn

from sequencer import __version__
from sequencer.cli.commands import BENCH, CAUTION, COMMANDS, FILE, NEEDS, SENDS_NOTHING, SITE, STATUS, USAGE
from sequencer.cli.options import ADD, add_scene
from sequencer.errors import InputError
from sequencer.layout import fitted, width_for
from sequencer.tomltext import quoted

if TYPE_CHECKING:
    from datetime import date

    from sequencer.cli.looking import Looked
    from sequencer.planner import Start

_WIDTH = 100
"""Help is no wider than this, however wide the terminal is."""
MAX_LOOSE = 10
"""Most words left over that are told one by one."""


class Arguments(argparse.Namespace):
    """What was typed, checked as far as it can be without reading the site file."""

    command: str
    json: bool
    debug: bool
    site: str
    circuit: str | None
    scene: str | None
    known: tuple[tuple[str, str], ...]
    start: Start
    yes: bool
    vcd: str | None
    trials: int
    seed: int
    plain: bool
    speed: float
    days: int
    on: date | None
    last: int
    seen: tuple[tuple[str, str], ...]
    lamp: str | None
    tap: float | None
    conductors: tuple[tuple[str, str], ...]
    more: tuple[tuple[str, str], ...]
    looks: Looked
    volts: tuple[tuple[str, float], ...]
    folder: str | None
    amps: float | None
    svg: str | None
    word: str
    datasheet: str
    capture: str
    rig: str
    tours: int
    resume: str | None
    out: str | None
    report: str | None
    name: str | None
    pretend: str | None
    budget_cycles: int
    budget_hours: float
    most_scenes: int | None
    settled: float | None
    volts_set: float | None
    precision: float
    plan: str
    signal: str | None
    command_signal: str | None


class _Parser(argparse.ArgumentParser):
    """Says what is wrong as an InputError instead of ending the program; lays its help out for the terminal."""

    def format_help(self) -> str:
        return fitted(super().format_help(), width_for(sys.stdout))

    def error(self, message: str) -> NoReturn:
        ignored = re.fullmatch(r"(?s)(argument \S+): ignored explicit argument (.*)", message)
        if ignored:  # argparse writes the word as Python would
            message = f"{ignored[1]}: takes no value, yet has {quoted(ignored[2][1:-1])}"
        raise InputError(f"{self.prog}: {message}; {self.prog} --help tells more")


class _Help(argparse.HelpFormatter):
    """Wraps at spaces alone, so that no word and no option is broken at its hyphen."""

    def _split_lines(self, text: str, width: int) -> list[str]:
        return _wrap(text, width)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return "\n".join(indent + line for line in _wrap(text, width - len(indent)))


def _wrap(text: str, width: int) -> list[str]:
    from textwrap import wrap  # noqa: PLC0415 - only for help

    return wrap(" ".join(text.split()), width, break_long_words=False, break_on_hyphens=False)


def _help_width() -> int:
    return min(_WIDTH, width_for(sys.stdout) or _WIDTH)


def parse(given: Sequence[str]) -> Arguments:
    """The arguments of one command.

    :raises InputError: with one line a problem.
    :raises SystemExit: ``--help`` or ``--version`` was asked for and printed.
    """
    word, rest = (given[0], given[1:]) if given else ("", ())
    if word == "--version":
        raise _shown(f"lampstep {__version__}")
    if word in {"--help", "-h"}:
        raise _shown(_help())
    if not word or word.startswith("-"):
        raise InputError("lampstep: the first word is a command: try lampstep demo, or see lampstep --help")
    if word not in COMMANDS:
        meant = _meant(word, COMMANDS)
        raise InputError(
            f"lampstep: no command {meant}{'' if ': ' in meant else ': lampstep --help lists them'}"
        )
    name, rest = _second_word(rest) if word == "bench" else (word, rest)
    known = Arguments(command=word, word=name.partition(" ")[2])
    arguments, left = _parser(name).parse_known_intermixed_args(rest, namespace=known)
    problems = [*_left_over(name, left), *_doubled(arguments)]
    as_in = f"as in lampstep {name} {USAGE[name]}"
    if (file := FILE.get(name, SITE)) and not getattr(arguments, file[0]):
        problems.append(f"lampstep {name}: no {file[2].partition(' (')[0]}: name one, {as_in}")
    for option in NEEDS.get(name, ()):
        if not getattr(arguments, option):
            problems.append(f"lampstep {name}: --{option} is missing: {as_in}")
    if problems:
        raise InputError(problems)
    return arguments


def _second_word(rest: Sequence[str]) -> tuple[str, Sequence[str]]:
    """What of the bench: the command's whole name, and what is left."""
    word = rest[0] if rest else ""
    if word in {"--help", "-h"}:
        words = "\n".join(f"  {name:10}{told}" for name, told in BENCH.items())
        from textwrap import fill  # noqa: PLC0415 - only here

        usage = f"usage: lampstep bench {USAGE['bench']} (lampstep bench WORD --help tells more)"
        raise _shown(f"{usage}\n\n{words}\n\n{fill(CAUTION, _help_width())}\n\n{fill(STATUS, _help_width())}")
    if word not in BENCH:
        known = ", ".join(BENCH)
        meant = f"no bench command {_meant(word, BENCH)}" if word else f"what of the bench? {known}"
        raise InputError(f"lampstep bench: {meant}")
    return f"bench {word}", rest[1:]


def _shown(text: str) -> SystemExit:
    print(fitted(text, width_for(sys.stdout)))  # noqa: T201 - it was asked for
    return SystemExit(0)


def _help() -> str:
    from textwrap import fill  # noqa: PLC0415 - only here

    commands = "\n".join(f"  {name:10}{words}" for name, words in COMMANDS.items())
    return f"""usage: lampstep COMMAND ... (lampstep COMMAND --help tells more)

Bring every underwater lamp on one supply onto one scene, by breaks in that supply.

{commands}

{fill(CAUTION, _help_width())}

{fill(STATUS, _help_width())}"""


def _meant(word: str, known: Sequence[str] | dict[str, str]) -> str:
    from sequencer.tomlfile import did_you_mean  # noqa: PLC0415 - only when something is wrong

    hint = did_you_mean(word, known)
    return quoted(word) + (f": {hint}" if hint else "")


def _left_over(command: str, left: Sequence[str]) -> Iterator[str]:
    for word in (word for word in left if word.startswith("-")):
        options = [*re.findall(r"--[a-z-]+", USAGE[command]), "--debug"]
        yield f"lampstep {command}: no option {_meant(word.partition('=')[0], options)}"
    if loose := [quoted(word) for word in left if not word.startswith("-")]:
        words = "put quotes around a name with spaces"
        shown = ", ".join(loose[:MAX_LOOSE]) + (" and more" if len(loose) > MAX_LOOSE else "")
        yield f"lampstep {command}: {shown} left over: {words}"


def _doubled(arguments: Arguments) -> Iterator[str]:
    from_option: dict[str, str] = {}
    for lamp, scene in getattr(arguments, "known", ()):
        if lamp in from_option:
            both = f"{quoted(from_option[lamp])} and {quoted(scene)}"
            yield f"--from: lamp {quoted(lamp)} is given twice ({both}): give it once"
        from_option.setdefault(lamp, scene)


def _parser(name: str) -> _Parser:
    """The parser of one command; five would take as long to make as the planner to load."""
    told = BENCH[name.partition(" ")[2]] if " " in name else COMMANDS[name]
    parser = _Parser(
        prog=f"lampstep {name}",
        usage=f"lampstep {name} {USAGE[name]}",
        description=f"{told[0].upper()}{told[1:]}.",
        epilog=STATUS if name in SENDS_NOTHING else f"{CAUTION} {STATUS}",
        formatter_class=partial(_Help, width=_help_width()),
        allow_abbrev=False,
    )
    if file := FILE.get(name, SITE):
        dest, metavar, words = file
        parser.add_argument(dest, nargs="?", default="", metavar=metavar, help=f"the {words}")
    if name in {"plan", "play", "rehearse"}:
        add_scene(parser)
    if name in ADD:
        ADD[name](parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    parser.add_argument("--debug", action="store_true", help="show where in the program a fault is")
    return parser
