"""``lampstep serve``: keep a pad's lamps matched until told to stop."""

from __future__ import annotations

import logging
import sys

from sequencer.cli.answer import YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """Serve; what happens goes to standard error, with the time where nobody else puts it there.

    :raises InputError: the site cannot be served.
    :raises HardwareError: another daemon serves it, or a pin or line cannot be had.
    """
    from sequencer.daemon.serve import serve  # noqa: PLC0415 - after the site is known to be sound

    pad = load_site(arguments.site, standing=True)
    terminal = sys.stderr is not None and sys.stderr.isatty()
    logging.basicConfig(format="%(asctime)s %(message)s" if terminal else "%(message)s", datefmt="%H:%M:%S")
    logging.getLogger("lampstep").setLevel(logging.INFO)
    serve(pad)
    return Answer(
        YES, {"site": pad.site.name, "stopped": True}, "Stopped. The lamps are left in plain light."
    )
