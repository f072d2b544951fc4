"""``lampstep resume``: what was chosen, asked for or made steady counts no more; the calendar speaks again."""

from __future__ import annotations

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """One circuit, or all."""
    pad = load_site(arguments.site)
    circuit = None if arguments.circuit is None else pad.circuit(arguments.circuit).name
    return answered(pad, {"do": "take back", "circuit": circuit})
