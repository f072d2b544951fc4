"""``lampstep resync``: a full train to the scene that is wanted, whatever is believed."""

from __future__ import annotations

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered, only_circuit
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """One circuit; the only one need not be named."""
    pad = load_site(arguments.site)
    circuit = only_circuit(pad, arguments.circuit, "resync").name
    return answered(pad, {"do": "resync", "circuit": circuit})
