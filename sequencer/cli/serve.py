"""``lampstep serve``: keep a pad's lamps matched until told to stop."""

from __future__ import annotations

import logging
import sys

from sequencer.cli.answer import YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.water import ask, at_a_terminal, warn
from sequencer.sitefile import Pad, load_site

QUESTION = "Is the water clear of people? Type yes to start: "


def run(arguments: Arguments) -> Answer:
    """Serve; what happens goes to standard error, with the time where nobody else puts it there.

    :raises InputError: the site cannot be served.
    :raises HardwareError: another daemon serves it, or a pin or line cannot be had.
    :raises NotSent: somebody at a terminal was asked and did not say that the water is clear.
    """
    pad = load_site(arguments.site, standing=True)
    _clear_the_water(pad, sure=arguments.yes)
    from sequencer.daemon.log import can_be_written, log_to_stderr  # noqa: PLC0415 - after the site is known
    from sequencer.daemon.serve import serve  # noqa: PLC0415 - to be sound

    handler = log_to_stderr()
    try:
        serve(pad)
    finally:
        logging.getLogger().removeHandler(handler)
        handler.close()
    try:
        is_read = can_be_written(sys.stdout.fileno())
    except (AttributeError, OSError):  # there is none, or it is no file
        is_read = True
    if not is_read:  # the end waits for no reader
        return Answer(YES, {}, "")
    return Answer(
        YES, {"site": pad.site.name, "stopped": True}, "Stopped. The lamps are left in plain light."
    )


def _clear_the_water(pad: Pad, *, sure: bool) -> None:
    """The first trains follow at once: at a terminal, ask before real ones. A service has nobody to ask."""
    real = [circuit for circuit in pad.circuits if circuit.relay.driver != "simulated"]
    if not real or not at_a_terminal():
        return
    for circuit in real:
        warn(circuit.name, circuit.relay.side)
    if not sure:
        ask(QUESTION, "Not started. Clear the water first.")
