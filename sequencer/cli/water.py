"""Before lamps flash: say so, and ask whether the water is clear."""

from __future__ import annotations

import sys

from sequencer.errors import InputError, LampstepError
from sequencer.layout import fitted, width_for

QUESTION = "Is the water clear of people? Type yes to send the train: "


class NotSent(LampstepError):  # noqa: N818 - no error: somebody may be in the water
    """The user was asked and did not say that the water is clear."""

    exit_status = 130


def clear_the_water(circuit: str, side: str, how: str = "", *, sure: bool) -> None:
    """Say what is about to happen and, unless ``sure``, ask whether the water is clear of people.

    :param side: of the transformer, which the relay switches: "primary" or "secondary".
    :param how: the breaks, in words, where they are known.
    :raises InputError: there is no terminal to ask at.
    :raises NotSent: the water is not clear.
    """
    if not sure and not at_a_terminal():
        words = "the relay is real, and there is no terminal to ask at whether the water is clear"
        raise InputError(f"{circuit}: {words}: make sure that it is, then add --yes")
    warn(circuit, side, how)
    if not sure:
        ask(QUESTION, "Not sent. Clear the water first.")


def at_a_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()


def warn(circuit: str, side: str, how: str = "") -> None:
    """The cautions, on standard error."""
    say(f"{circuit} is about to flash{': ' if how else ''}{how}.")
    say("Flashing light can bring on a seizure: whoever may be prone to that looks away.")
    say("Keep a light on that is not on this circuit, and follow your local code.")
    if side == "primary":
        say("The relay switches mains: keep away from its terminals; work on it is for licensed people.")


def ask(question: str, otherwise: str) -> None:
    """Ask; raises NotSent, with these words, unless the answer is yes."""
    sys.stderr.write(question)
    sys.stderr.flush()
    answer = ""
    try:
        answer = sys.stdin.readline()
    finally:
        if not answer.endswith("\n"):  # Ctrl-D or Ctrl-C: what follows begins a line of its own
            say("")
    if answer.strip().lower() != "yes":
        raise NotSent(otherwise)


def say(line: str) -> None:
    """A line on standard error, if there is one."""
    if sys.stderr is not None:
        sys.stderr.write(fitted(line, width_for(sys.stderr)) + "\n")
        sys.stderr.flush()
