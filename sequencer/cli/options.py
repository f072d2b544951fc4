"""The options of every command."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from sequencer.cli.typed import Collect, between, day, input_level, lamp_scene, pair_of, tap_volts, whole

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
ONLY_CIRCUIT = "a circuit of the site; may be left out where the site has only one"


def add_scene(parser: argparse.ArgumentParser) -> None:
    """What ``plan``, ``play`` and ``rehearse`` share: a circuit, a scene, and what is known of its lamps."""
    parser.add_argument("--circuit", metavar="CIRCUIT", help=ONLY_CIRCUIT)
    parser.add_argument("--scene", metavar="SCENE", help="a scene of the site")
    _add_beginning(parser)


def _add_diagnose(parser: argparse.ArgumentParser) -> None:
    from sequencer.cli.looking import add_diagnose  # noqa: PLC0415 - only here

    parser.add_argument("--circuit", metavar="CIRCUIT", help=ONLY_CIRCUIT)
    add_diagnose(parser)
    _add_beginning(parser)


def _add_sense(parser: argparse.ArgumentParser) -> None:
    from sequencer.cli.looking import add_sense  # noqa: PLC0415 - only here

    add_sense(parser, ONLY_CIRCUIT)


def _add_beginning(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        dest="known",
        action=Collect,
        type=lamp_scene,
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


def _add_play(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--yes", action="store_true", help="nobody is in the water: do not ask")
    parser.add_argument("--vcd", metavar="FILE", help="write the edges as a value change dump, a new file")


def _add_serve(parser: argparse.ArgumentParser) -> None:
    words = "nobody is in the water: do not ask, as a terminal is asked before the first train"
    parser.add_argument("--yes", action="store_true", help=words)


def _add_rehearse(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--trials", type=whole(1, MAX_TRIALS), default=1000, metavar="N", help="default 1000")
    _add_seed(parser)


def _add_journal(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--last", type=whole(1, MAX_ENTRIES), default=40, metavar="N", help="so many entries; default 40"
    )
    words = "only this circuit, and the whole pad's entries; left out: every circuit"
    parser.add_argument("--circuit", metavar="CIRCUIT", help=words)
    parser.add_argument(
        "--vcd", metavar="FILE", help="write the last train's edges as a value change dump, a new file"
    )


def _add_circuit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--circuit", metavar="C", help=ONLY_CIRCUIT)


def _add_any_circuit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--circuit", metavar="C", help="only this circuit; left out: every circuit of the site"
    )


def _add_lamps_circuit(parser: argparse.ArgumentParser) -> None:
    words = "the lamp's circuit; may be left out where no other circuit has a lamp of that name"
    parser.add_argument("--circuit", metavar="C", help=words)


def _add_tell(parser: argparse.ArgumentParser) -> None:
    words = "a lamp, and the scene of its own that it shows now"
    parser.add_argument("seen", nargs="*", type=lamp_scene, default=(), metavar="LAMP=SCENE", help=words)
    _add_lamps_circuit(parser)


def _add_replaced(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("lamp", nargs="?", metavar="LAMP", help="the lamp's name in the site file")
    _add_lamps_circuit(parser)


def _add_touch(parser: argparse.ArgumentParser) -> None:
    words = 'switch, button, sense or occupied, and its level; only with driver = "simulated"'
    parser.add_argument("seen", nargs="*", type=input_level, default=(), metavar="INPUT=on|off", help=words)
    _add_circuit(parser)


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plain", action="store_true", help="no colours and no waiting, for logs")
    _add_seed(parser)
    parser.add_argument(
        "--speed", type=between(0.1, 1000), default=1.0, metavar="X", help="2 is twice as fast; default 1"
    )


def _add_calendar(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--days", type=whole(1, MAX_DAYS), default=7, metavar="N", help="how many days; default 7"
    )
    parser.add_argument("--on", type=day, metavar="DATE", help="from this day on; default now")


def _add_supply(parser: argparse.ArgumentParser) -> None:
    words = "only this circuit; left out: every one with a supply, and a change needs there to be only one"
    parser.add_argument("--circuit", metavar="C", help=words)
    parser.add_argument("--tap", type=tap_volts, metavar="V", help="as if this tap were in use")
    words = "as if this run (by the node it leads to) or lamp's cord were so thick: 12 is AWG, 2.5mm2 metric"
    more = "as if one more lamp hung on this node, like one that is there"
    for option, dest, of, metavar, told in (
        ("--conductor", "conductors", "RUN=SIZE", "RUN=SIZE", words),
        ("--add-lamp", "more", "NODE=LIKE", "NODE=LIKE", more),
    ):
        parser.add_argument(
            option, dest=dest, action=Collect, type=pair_of(of), default=(), metavar=metavar, help=told
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
        type=whole(1, MAX_TOURS),
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
        type=between(*PRECISIONS),
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
        ("--budget-cycles", whole(10, 1_000_000), 5000, "N", "relay cycles at most; default 5000"),
        ("--budget-hours", between(0.01, 1000), 6.0, "H", "hours at most; default 6"),
        ("--most-scenes", whole(2, 100), None, "N", "scenes that the lamp may have at most; default 20"),
        (
            "--settled",
            between(2, 300),
            None,
            "S",
            "seconds after which the lamp is surely settled; default 12",
        ),
    ):
        parser.add_argument(option, type=kind, default=default, metavar=metavar, help=told)
    parser.add_argument(
        "--volts",
        dest="volts_set",
        type=between(0.1, 30),
        metavar="V",
        help="what the supply is set to, where it can be: what the lamp's plate says",
    )
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
        "--seed", type=whole(0, 2**63 - 1), default=1, metavar="K", help="of all chance; default 1"
    )


ADD: dict[str, Callable[[argparse.ArgumentParser], None]] = {
    "play": _add_play,
    "rehearse": _add_rehearse,
    "serve": _add_serve,
    "status": _add_any_circuit,
    "tell": _add_tell,
    "replaced": _add_replaced,
    "resync": _add_circuit,
    "steady": _add_any_circuit,
    "resume": _add_any_circuit,
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
"""What adds a command's own options to its parser."""
