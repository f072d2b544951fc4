"""``lampstep status``: what each circuit shows, what is known of its lamps, and why."""

from __future__ import annotations

from sequencer.cli.answer import NO, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import asked, shown
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """Ask the daemon; the answer is no when a circuit is not matched, or nobody serves it."""
    pad = load_site(arguments.site)
    if arguments.circuit is not None:
        pad.circuit(arguments.circuit)
    said = asked(pad, {"do": "status"})
    if said is None:
        words = f"No daemon serves {pad.site.name}: nothing is known of its lamps."
        next_step = f"Next: lampstep serve {pad.path}, or systemctl status 'lampstep@*'"
        return Answer(NO, {"pid": None, "journal": "", "circuits": []}, f"{words}\n{next_step}")
    return shown(pad, said, arguments.circuit)
