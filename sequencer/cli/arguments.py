"""What may be typed, and what was: every misfit as a plain line of its own."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, NoReturn

from sequencer import __version__
from sequencer.errors import InputError

if TYPE_CHECKING:
    from datetime import date

    from sequencer.cli.looking import Looked
    from sequencer.planner import Start

MAX_TRIALS = 1_000_000
"""Some minutes to hours of computing; more tells nothing that another seed would not."""
MAX_ENTRIES = 1_000_000
"""More than the largest journal holds."""
MAX_TOURS = 10_000
"""A relay's life is spent before that."""
PRECISIONS = (0.01, 0.5)
"""Finer is beyond a lamp's own clock; coarser is no measurement."""
MAX_DAYS = 3660
"""Ten years."""

COMMANDS = {
    "check": "what hangs on a pad, and what is doubtful about it",
    "plan": "find the train for a scene, with its proof; nothing is sent",
    "play": "find the train for a scene and send it through the site's relay",
    "rehearse": "play the train for a scene on many simulated pads",
    "serve": "keep a pad's lamps matched until told to stop: the daemon",
    "status": "what each circuit shows, what is known of its lamps, and why; of a running daemon",
    "tell": "tell the daemon what a lamp shows: you have seen it",
    "replaced": "tell the daemon that another lamp hangs in this one's place",
    "resync": "have the daemon send a full train",
    "steady": "plain light and no trains, whatever the calendar says, until resume",
    "resume": "what was chosen, asked for or made steady counts no more: the calendar speaks again",
    "touch": "move a simulated input of a running daemon",
    "supply": "volts at every lamp, and which tap and cable would do",
    "diagnose": "what explains what the lamps show after a train, and what to do next",
    "sense": "hold a reading of the circuit's current against the scene that the lamps are held to be on",
    "calendar": "what the calendar will do on the days ahead, and why",
    "journal": "what happened at the pad, and how worn its relays are; also while the daemon runs",
    "bench": "one lamp on a table: accept, measure, discover, white; before it goes under water",
    "judge": "hold a logic analyser's capture of the real contact against a plan",
    "demo": "watch the Quarry Lane lido at dusk; needs no hardware and no files",
}
BENCH = {
    "accept": "does this lamp do what its datasheet says? every scene, every edge, its memory, tour after tour",
    "measure": "where the edges of its windows lie, and the datasheet that follows",
    "discover": "a datasheet for a lamp that came without one",
    "white": "calibrate the rig's eyes on a white light",
}
"""Second words of ``lampstep bench``."""
_SCENE = "SITE --circuit CIRCUIT --scene SCENE [--from LAMP=SCENE ...] [--from-dark | --after-cut]"
_USAGE = {
    "check": "SITE [--json]",
    "plan": f"{_SCENE} [--json]",
    "play": f"{_SCENE} [--yes] [--vcd FILE] [--json]",
    "rehearse": f"{_SCENE} [--trials N] [--seed K] [--json]",
    "serve": "SITE [--json]",
    "status": "SITE [--circuit C] [--json]",
    "tell": "SITE LAMP=SCENE ... [--circuit C] [--json]",
    "replaced": "SITE LAMP [--circuit C] [--json]",
    "resync": "SITE [--circuit C] [--json]",
    "steady": "SITE [--circuit C] [--json]",
    "resume": "SITE [--circuit C] [--json]",
    "touch": "SITE INPUT=on|off ... [--circuit C] [--json]",
    "supply": (
        "SITE [--circuit C] [--tap V] [--conductor RUN=SIZE ...] [--add-lamp NODE=LIKE ...] [--svg FILE] [--json]"
    ),
    "diagnose": (
        "SITE --circuit C --sent SCENE --saw LAMP=SCENE ... [--volts LAMP=V ...] [--lamps FOLDER] "
        "[--from LAMP=SCENE ...] [--from-dark | --after-cut] [--json]"
    ),
    "sense": "SITE --scene SCENE [--circuit C] [--amps A] [--json]",
    "calendar": "SITE [--days N] [--on DATE] [--json]",
    "journal": "SITE [--last N] [--circuit C] [--vcd FILE] [--json]",
    "bench": f"{'|'.join(BENCH)} ...",
    "bench accept": "DATASHEET --rig RIG [--tours N] [--seed K] [--resume FILE] [--report FILE] [--yes] [--json]",
    "bench measure": (
        "DATASHEET --rig RIG [--out FILE] [--resume FILE] [--precision P] [--report FILE] [--yes] [--json]"
    ),
    "bench discover": (
        "--rig RIG [--out FILE] [--name NAME] [--budget-cycles N] [--budget-hours H] [--most-scenes N] "
        "[--settled S] [--pretend DATASHEET] [--resume FILE] [--report FILE] [--yes] [--json]"
    ),
    "bench white": "--rig RIG [--json]",
    "judge": "CAPTURE.vcd --plan PLAN.json [--signal NAME] [--command NAME] [--json]",
    "demo": "[--plain] [--seed K] [--speed X] [--json]",
}
_SITE = ("site", "SITE", "site file (TOML)")
_FILE: dict[str, tuple[str, str, str] | None] = {
    "bench accept": ("datasheet", "DATASHEET", "datasheet (TOML)"),
    "bench measure": ("datasheet", "DATASHEET", "datasheet (TOML), which may be rough"),
    "bench discover": None,
    "bench white": None,
    "judge": ("capture", "CAPTURE", "capture (VCD)"),
    "demo": None,
}
"""What a command's first word names, where that is not a site file: where it is kept, how it is called, what it is."""
_NEEDS = {
    **dict.fromkeys(("bench accept", "bench measure", "bench discover", "bench white"), ("rig",)),
    "judge": ("plan",),
}
_CAUTION = (
    "Mains and water kill; flashing light can bring on seizures; whoever swims is in danger when it goes "
    "dark. Clear the water before a train is sent. Wiring is for licensed people, under your local code."
)
_WIDTH = 100
_SENDS_NOTHING = frozenset(
    {
        "check",
        "status",
        "tell",
        "supply",
        "diagnose",
        "sense",
        "calendar",
        "journal",
        "touch",
        "judge",
        "demo",
    }
)
_STATUS = "Exit status: 0 yes, 1 the honest answer is no, 2 bad input, 3 hardware failed, 130 broken off."


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
    most_scenes: int
    settled: float
    precision: float
    plan: str
    signal: str | None
    command_signal: str | None


class _Parser(argparse.ArgumentParser):
    """Says what is wrong as an InputError instead of ending the program."""

    def error(self, message: str) -> NoReturn:
        raise InputError(f"{self.prog}: {message}; {self.prog} --help tells more")


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
    as_in = f"as in lampstep {name} {_USAGE[name]}"
    if (file := _FILE.get(name, _SITE)) and not getattr(arguments, file[0]):
        problems.append(f"lampstep {name}: no {file[2].partition(' (')[0]}: name one, {as_in}")
    for option in _NEEDS.get(name, ()):
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

        usage = f"usage: lampstep bench {_USAGE['bench']} (lampstep bench WORD --help tells more)"
        raise _shown(f"{usage}\n\n{words}\n\n{fill(_CAUTION, _WIDTH)}\n\n{fill(_STATUS, _WIDTH)}")
    if word not in BENCH:
        known = ", ".join(BENCH)
        meant = f"no bench command {_meant(word, BENCH)}" if word else f"what of the bench? {known}"
        raise InputError(f"lampstep bench: {meant}")
    return f"bench {word}", rest[1:]


def _shown(text: str) -> SystemExit:
    print(text)  # noqa: T201 - it was asked for
    return SystemExit(0)


def _help() -> str:
    from textwrap import fill  # noqa: PLC0415 - only here

    commands = "\n".join(f"  {name:10}{words}" for name, words in COMMANDS.items())
    return f"""usage: lampstep COMMAND ... (lampstep COMMAND --help tells more)

Bring every underwater lamp on one supply onto one scene, by breaks in that supply.

{commands}

{fill(_CAUTION, _WIDTH)}

{fill(_STATUS, _WIDTH)}"""


def _meant(word: str, known: Sequence[str] | dict[str, str]) -> str:
    from sequencer.tomlfile import did_you_mean, quoted  # noqa: PLC0415 - only when something is wrong

    hint = did_you_mean(word, known)
    return quoted(word) + (f": {hint}" if hint else "")


def _left_over(command: str, left: Sequence[str]) -> Iterator[str]:
    for word in (word for word in left if word.startswith("-")):
        options = [*re.findall(r"--[a-z-]+", _USAGE[command]), "--debug"]
        yield f"lampstep {command}: no option {_meant(word.partition('=')[0], options)}"
    if loose := [f'"{word}"' for word in left if not word.startswith("-")]:
        words = "put quotes around a name with spaces"
        yield f"lampstep {command}: {', '.join(loose)} left over: {words}"


def _doubled(arguments: Arguments) -> Iterator[str]:
    from_option: dict[str, str] = {}
    for lamp, scene in getattr(arguments, "known", ()):
        if lamp in from_option:
            yield f'--from: lamp "{lamp}" is given twice ("{from_option[lamp]}" and "{scene}"): give it once'
        from_option.setdefault(lamp, scene)


def _parser(name: str) -> _Parser:
    """The parser of one command; five would take as long to make as the planner to load."""
    told = BENCH[name.partition(" ")[2]] if " " in name else COMMANDS[name]
    parser = _Parser(
        prog=f"lampstep {name}",
        usage=f"lampstep {name} {_USAGE[name]}",
        description=f"{told[0].upper()}{told[1:]}.",
        epilog=_STATUS if name in _SENDS_NOTHING else f"{_CAUTION} {_STATUS}",
        formatter_class=partial(argparse.HelpFormatter, width=_WIDTH),
        allow_abbrev=False,
    )
    if file := _FILE.get(name, _SITE):
        dest, metavar, words = file
        parser.add_argument(dest, nargs="?", default="", metavar=metavar, help=f"the {words}")
    if name in {"plan", "play", "rehearse"}:
        _add_scene(parser)
    if name in _ADD:
        _ADD[name](parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    parser.add_argument("--debug", action="store_true", help="show where in the program a fault is")
    return parser


def _add_scene(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--circuit", metavar="CIRCUIT", help="a circuit of the site")
    parser.add_argument("--scene", metavar="SCENE", help="a scene of the site")
    _add_beginning(parser)


def _add_diagnose(parser: argparse.ArgumentParser) -> None:
    from sequencer.cli.looking import add_diagnose  # noqa: PLC0415 - only here

    parser.add_argument("--circuit", metavar="CIRCUIT", help="a circuit of the site")
    add_diagnose(parser, _lamp_scene, _Collect)
    _add_beginning(parser)


def _add_sense(parser: argparse.ArgumentParser) -> None:
    from sequencer.cli.looking import add_sense  # noqa: PLC0415 - only here

    add_sense(parser)


def _add_beginning(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        dest="known",
        action=_Collect,
        type=_lamp_scene,
        default=(),
        metavar="LAMP=SCENE",
        help="a lamp is known to rest on this scene of its own; give it again for each such lamp",
    )
    start = parser.add_mutually_exclusive_group()
    start.add_argument(
        "--from-dark",
        dest="start",
        action="store_const",
        const="dark",
        default="rest",
        help="the lamps have been without supply for long; the train gets its lead-in first",
    )
    start.add_argument(
        "--after-cut",
        dest="start",
        action="store_const",
        const="cut",
        help="a train was cut short or the supply came and went; the train gets its lead-in first",
    )


class _Collect(argparse.Action):
    def __call__(
        self,
        _parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        value: object,
        _option: str | None = None,
    ) -> None:
        setattr(namespace, self.dest, (*getattr(namespace, self.dest), value))


def _add_play(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--yes", action="store_true", help="nobody is in the water: do not ask")
    parser.add_argument("--vcd", metavar="FILE", help="write the edges as a value change dump, a new file")


def _add_rehearse(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--trials", type=_whole(1, MAX_TRIALS), default=1000, metavar="N", help="default 1000"
    )
    _add_seed(parser)


def _add_journal(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--last", type=_whole(1, MAX_ENTRIES), default=40, metavar="N", help="so many entries; default 40"
    )
    parser.add_argument("--circuit", metavar="CIRCUIT", help="only this circuit, and the whole pad's entries")
    parser.add_argument(
        "--vcd", metavar="FILE", help="write the last train's edges as a value change dump, a new file"
    )


def _add_circuit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--circuit", metavar="C", help="a circuit of the site; needed only if there are several"
    )


def _add_tell(parser: argparse.ArgumentParser) -> None:
    words = "a lamp, and the scene of its own that it shows now"
    parser.add_argument("seen", nargs="*", type=_lamp_scene, default=(), metavar="LAMP=SCENE", help=words)
    _add_circuit(parser)


def _add_replaced(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("lamp", nargs="?", metavar="LAMP", help="the lamp's name in the site file")
    _add_circuit(parser)


def _add_touch(parser: argparse.ArgumentParser) -> None:
    words = 'switch, button, sense or occupied, and its level; only with driver = "simulated"'
    parser.add_argument("seen", nargs="*", type=_lamp_scene, default=(), metavar="INPUT=on|off", help=words)
    _add_circuit(parser)


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plain", action="store_true", help="no colours and no waiting, for logs")
    _add_seed(parser)
    parser.add_argument(
        "--speed", type=_between(0.1, 1000), default=1.0, metavar="X", help="2 is twice as fast; default 1"
    )


def _add_calendar(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--days", type=_whole(1, MAX_DAYS), default=7, metavar="N", help="how many days; default 7"
    )
    parser.add_argument("--on", type=_date, metavar="DATE", help="from this day on; default now")


def _add_supply(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--circuit", metavar="C", help="only this circuit; needed if there are several to change"
    )
    parser.add_argument("--tap", type=_volts, metavar="V", help="as if this tap were in use")
    words = "as if this run (by the node it leads to) or lamp's cord were so thick: 12 is AWG, 2.5mm2 metric"
    more = "as if one more lamp hung on this node, like one that is there"
    for option, dest, of, metavar, told in (
        ("--conductor", "conductors", "RUN=SIZE", "RUN=SIZE", words),
        ("--add-lamp", "more", "NODE=LIKE", "NODE=LIKE", more),
    ):
        parser.add_argument(
            option, dest=dest, action=_Collect, type=_pair(of), default=(), metavar=metavar, help=told
        )
    parser.add_argument("--svg", metavar="FILE", help="draw the tree, a new file")


def _add_rig(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--rig", default="", metavar="RIG", help="the rig file (TOML): what stands on the bench"
    )


def _add_kept(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--resume", metavar="FILE", help="keep the run in this file, and go on with it if it is there"
    )
    parser.add_argument("--report", metavar="FILE", help="write a report to print or keep (HTML), a new file")
    parser.add_argument("--yes", action="store_true", help="the lamp is in its place: do not ask")


def _add_bench_accept(parser: argparse.ArgumentParser) -> None:
    _add_rig(parser)
    parser.add_argument(
        "--tours",
        type=_whole(1, MAX_TOURS),
        default=10,
        metavar="N",
        help="full tours of all scenes; default 10",
    )
    _add_seed(parser)
    _add_kept(parser)


def _add_bench_measure(parser: argparse.ArgumentParser) -> None:
    _add_rig(parser)
    parser.add_argument("--out", metavar="FILE", help="write the measured datasheet here, a new file")
    parser.add_argument(
        "--precision",
        type=_between(*PRECISIONS),
        default=0.05,
        metavar="P",
        help="how wide an edge's 95 %% interval may be, as a part of the edge; default 0.05",
    )
    _add_kept(parser)


def _add_bench_discover(parser: argparse.ArgumentParser) -> None:
    _add_rig(parser)
    parser.add_argument("--out", metavar="FILE", help="write the datasheet here, a new file")
    parser.add_argument("--name", metavar="NAME", help="what the datasheet calls the lamp")
    for option, kind, default, metavar, told in (
        ("--budget-cycles", _whole(10, 1_000_000), 5000, "N", "relay cycles at most; default 5000"),
        ("--budget-hours", _between(0.01, 1000), 6.0, "H", "hours at most; default 6"),
        ("--most-scenes", _whole(2, 100), 20, "N", "scenes that the lamp may have at most; default 20"),
        (
            "--settled",
            _between(2, 300),
            12.0,
            "S",
            "seconds after which the lamp is surely settled; default 12",
        ),
    ):
        parser.add_argument(option, type=kind, default=default, metavar=metavar, help=told)
    parser.add_argument(
        "--pretend", metavar="DATASHEET", help="a rig on which nothing is real: the lamp to simulate"
    )
    _add_kept(parser)


def _add_judge(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plan", default="", metavar="PLAN.json", help="what lampstep plan --json printed")
    parser.add_argument("--signal", metavar="NAME", help="the contact's signal; needed if there are several")
    parser.add_argument(
        "--command",
        dest="command_signal",
        metavar="NAME",
        help="the command's signal, if it was captured too",
    )


def _add_seed(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--seed", type=_whole(0, 2**63 - 1), default=1, metavar="K", help="of all chance; default 1"
    )


_ADD: dict[str, Callable[[argparse.ArgumentParser], None]] = {
    "play": _add_play,
    "rehearse": _add_rehearse,
    "status": _add_circuit,
    "tell": _add_tell,
    "replaced": _add_replaced,
    "resync": _add_circuit,
    "steady": _add_circuit,
    "resume": _add_circuit,
    "touch": _add_touch,
    "supply": _add_supply,
    "diagnose": _add_diagnose,
    "sense": _add_sense,
    "calendar": _add_calendar,
    "journal": _add_journal,
    "bench accept": _add_bench_accept,
    "bench measure": _add_bench_measure,
    "bench discover": _add_bench_discover,
    "bench white": _add_rig,
    "judge": _add_judge,
    "demo": _add_demo,
}


def _pair(shape: str) -> Callable[[str], tuple[str, str]]:
    def pair(text: str) -> tuple[str, str]:
        name, equals, value = text.partition("=")
        if not (name and equals and value):
            raise argparse.ArgumentTypeError(f'must be {shape}, not "{text}"')
        return name, value

    return pair


_lamp_scene = _pair("LAMP=SCENE")


def _volts(text: str) -> float:
    try:
        volts = float(text)
    except ValueError:
        volts = math.nan
    if not 0 < volts < 1000:
        raise argparse.ArgumentTypeError(f'must be the volts of a tap, not "{text}"')
    return volts


def _whole(least: int, most: int) -> Callable[[str], int]:
    def whole(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 20 and least <= int(text) <= most):
            raise argparse.ArgumentTypeError(f'must be a whole number from {least} to {most}, not "{text}"')
        return int(text)

    return whole


def _date(text: str) -> date:
    from datetime import date  # noqa: PLC0415 - only here

    try:
        found = date.fromisoformat(text)
    except ValueError:
        found = date.min
    if not 1970 <= found.year < 9000:
        raise argparse.ArgumentTypeError(f'must be a date such as 2026-12-24, not "{text}"')
    return found


def _between(least: float, most: float) -> Callable[[str], float]:
    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f'must be a number from {least:g} to {most:g}, not "{text}"')
        return value

    return number
