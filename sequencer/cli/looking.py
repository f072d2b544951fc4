"""What may be typed of trains that were sent and what was then seen: the options of ``diagnose`` and ``sense``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from sequencer.cli.typed import Collect, amps, lamp_scene, lamp_volts

Looked = tuple[tuple[int, str, tuple[tuple[str, str], ...]], ...]
"""Looks in order: which (from 1), the scene that was sent, and what lamps showed then."""


class _Sent(argparse.Action):
    """A train: whatever is said to be seen after it belongs to it."""

    def __call__(
        self,
        _parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        value: object,
        _option: str | None = None,
    ) -> None:
        looks: Looked = namespace.looks
        namespace.looks = (*looks, (len(looks) + 1, str(value), ()))


class _Saw(argparse.Action):
    """What lamps showed after the last train named before."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        value: str | Sequence[object] | None,
        _option: str | None = None,
    ) -> None:
        looks: Looked = namespace.looks
        if not looks:
            parser.error("--saw comes after the --sent that it is about")
        place, scene, saw = looks[-1]
        namespace.looks = (*looks[:-1], (place, scene, (*saw, *(value or ()))))


def add_diagnose(parser: argparse.ArgumentParser) -> None:
    """The options of ``diagnose``, its start aside."""
    sent = "the scene that was sent; again for a further train, in order"
    saw = "what lamps showed then, or LAMP=dark; lamps that nobody looked at are left out"
    parser.add_argument("--sent", dest="looks", action=_Sent, default=(), metavar="SCENE", help=sent)
    parser.add_argument(
        "--saw",
        dest="looks",
        action=_Saw,
        nargs="+",
        type=lamp_scene,
        default=(),
        metavar="LAMP=SCENE",
        help=saw,
    )
    volts = "measured at a lamp's terminals with all lamps lit, after the last train; again for each"
    parser.add_argument(
        "--volts", dest="volts", action=Collect, type=lamp_volts, default=(), metavar="LAMP=V", help=volts
    )
    folder = "a folder of datasheets, of any of which a lamp may be; the site's own always count"
    parser.add_argument("--lamps", dest="folder", metavar="FOLDER", help=folder)


def add_sense(parser: argparse.ArgumentParser, circuit_help: str) -> None:
    """The options of ``sense``."""
    parser.add_argument("--circuit", metavar="C", help=circuit_help)
    parser.add_argument(
        "--scene", metavar="SCENE", help="the scene of the site that the lamps are held to be on"
    )
    words = "a reading typed in, of a clamp meter around one conductor of the secondary; no meter is asked"
    parser.add_argument("--amps", type=amps, metavar="A", help=words)
