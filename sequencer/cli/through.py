"""``lampstep play`` while a daemon serves the site: through it, never beside it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from sequencer.cli.answer import Answer
from sequencer.cli.asked import Asked
from sequencer.cli.served import asked as ask_served
from sequencer.cli.served import shown
from sequencer.errors import HardwareError, InputError

LOOK_S = 0.5
PATIENCE_S = 300.0
"""The longest that a train is waited for; held back for people in the water it may come much later."""


def is_served(asked: Asked) -> bool:
    """Whether a daemon has the site's relays."""
    return ask_served(asked.pad, {"do": "status"}) is not None


def refuse_options(asked: Asked, vcd: str | None) -> None:
    """What a daemon knows for itself, or keeps itself, it is not told here.

    :raises InputError: with a line an option.
    """
    problems = []
    if asked.known or asked.request.start != "rest":
        words = "a daemon serves this site, and sends a full train from any belief: leave out --from"
        problems.append(f"{asked.circuit}: {words}, --from-dark and --after-cut")
    if vcd is not None:
        words = "a daemon serves this site: play without --vcd, then take the edges from its journal"
        problems.append(f"{asked.circuit}: {words}: lampstep journal {asked.pad.path} --vcd {vcd}")
    if problems:
        raise InputError(problems)


def play_through(asked: Asked, say: Callable[[str], None]) -> Answer:
    """Have the daemon send the scene, and wait until it is shown, or what comes in between is known.

    :raises InputError: the daemon says no.
    :raises HardwareError: it has gone meanwhile.
    """
    said = _said(asked, {"do": "ask", "circuit": asked.circuit, "scene": asked.scene})
    deadline, headline = time.monotonic() + PATIENCE_S, ""
    while time.monotonic() < deadline:
        circuit = next(each for each in said["circuits"] if each["circuit"] == asked.circuit)
        waits = [f" ({reason})" for reason in circuit["reasons"] if reason.startswith("it waits: ")]
        if (words := circuit["headline"] + "".join(waits)) != headline:
            headline = words
            say(f"{asked.circuit}: {headline}")
        if circuit["phase"] in {"lit", "dark", "unpowered"}:
            break
        time.sleep(LOOK_S)
        said = _said(asked, {"do": "status"})
    return shown(asked.pad, said, asked.circuit)


def _said(asked: Asked, request: dict[str, Any]) -> dict[str, Any]:
    said = ask_served(asked.pad, request)
    if said is None:
        raise HardwareError(
            f"{asked.circuit}: the daemon has gone; what became of the train is in its journal"
        )
    return said
