"""``lampstep replaced``: another lamp hangs in this one's place."""

from __future__ import annotations

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered, circuit_with
from sequencer.errors import InputError
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """Tell the daemon, which then knows nothing of the lamp."""
    pad = load_site(arguments.site)
    if arguments.lamp is None:
        raise InputError("lampstep replaced: name the lamp, as the site file does")
    circuit = circuit_with(pad, arguments.lamp, arguments.circuit)
    return answered(pad, {"do": "replaced", "circuit": circuit.name, "lamp": arguments.lamp})
