"""``lampstep resync``: a full train to the scene that is wanted, whatever is believed."""

from __future__ import annotations

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered
from sequencer.errors import InputError
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """One circuit; the only one need not be named."""
    pad = load_site(arguments.site)
    names = [circuit.name for circuit in pad.circuits]
    if arguments.circuit is None and len(names) > 1:
        raise InputError(f"lampstep resync: say which circuit: --circuit {' or '.join(names)}")
    circuit = pad.circuit(arguments.circuit or names[0]).name
    return answered(pad, {"do": "resync", "circuit": circuit})
