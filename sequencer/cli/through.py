"""``lampstep play`` while a daemon serves the site: through it, never beside it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from sequencer.cli.answer import BROKEN_OFF, Answer
from sequencer.cli.asked import Asked
from sequencer.cli.served import asked as ask_served
from sequencer.cli.served import shown
from sequencer.errors import HardwareError, InputError, LampstepError
from sequencer.tomlfile import quoted

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


class BrokenOff(LampstepError):  # noqa: N818 - no error: the user wants to wait no longer
    """The user ended ``play``; the words say what the daemon makes of its request."""

    exit_status = BROKEN_OFF


def play_through(asked: Asked, say: Callable[[str], None]) -> Answer:
    """Have the daemon send the scene, and wait until it is shown, or what comes in between is known.

    :raises InputError: the daemon says no.
    :raises HardwareError: it has gone meanwhile.
    :raises BrokenOff: the user pressed Ctrl-C; the request is taken back, or the words say that it stands.
    """
    try:
        return _until_shown(asked, say)
    except KeyboardInterrupt:
        raise BrokenOff(f"{asked.circuit}: broken off: {_take_back(asked)}") from None


def _take_back(asked: Asked) -> str:
    """Take the request back, and say what the daemon does now; or that it stands, and how to end it."""
    resume = f"lampstep resume {asked.pad.path} --circuit {asked.circuit}"
    try:
        said = ask_served(asked.pad, {"do": "status"})
        if said is None:
            return "the daemon has gone; what became of the train is in its journal"
        now = _circuit(asked, said)
        if now["scene"] != asked.scene:
            return f"{quoted(asked.scene)} is not what counts; {now['headline']}"
        if now["rank"] != "request":  # to take back takes back more than was asked for here
            return f"{quoted(asked.scene)} counts all the same, or will again; {resume} takes back all that was wished"
        said = ask_served(asked.pad, {"do": "take back", "circuit": asked.circuit})
    except (KeyboardInterrupt, LampstepError):
        return f"the daemon still has the request for {quoted(asked.scene)}: take it back with {resume}"
    if said is None:
        return "the daemon has gone; what became of the train is in its journal"
    now = _circuit(asked, said)
    words = "; ".join([now["headline"], *now["reasons"]])
    return f"{quoted(asked.scene)} is asked for no more; the daemon says: {words}"


def _circuit(asked: Asked, said: dict[str, Any]) -> dict[str, Any]:
    return next(dict(each) for each in said["circuits"] if each["circuit"] == asked.circuit)


def _until_shown(asked: Asked, say: Callable[[str], None]) -> Answer:
    said = _said(asked, {"do": "ask", "circuit": asked.circuit, "scene": asked.scene})
    deadline, headline = time.monotonic() + PATIENCE_S, ""
    while time.monotonic() < deadline:
        circuit = _circuit(asked, said)
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
