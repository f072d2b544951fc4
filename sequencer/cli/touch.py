"""``lampstep touch``: move an input of a pad that has it simulated, as a hand or the mains would."""

from __future__ import annotations

import time

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered, only_circuit
from sequencer.errors import InputError
from sequencer.sitefile import load_site

COUNTS_S = 0.3
"""By then a level has stood long enough to count, a sense's too."""


def run(arguments: Arguments) -> Answer:
    """``INPUT=on`` or ``INPUT=off``, one after the other."""
    pad = load_site(arguments.site)
    circuit = only_circuit(pad, arguments.circuit, "touch").name
    if not arguments.seen:
        raise InputError("lampstep touch: name an input and its level, as in switch=off")
    levels = {"on": True, "off": False}
    if wrong := [level for _, level in arguments.seen if level not in levels]:
        raise InputError(f'lampstep touch: a level is on or off, not "{wrong[0]}"')
    moves = [
        {"do": "touch", "circuit": circuit, "line": line, "active": levels[level]}
        for line, level in arguments.seen
    ]
    for move in moves:
        answered(pad, move)
    time.sleep(COUNTS_S)
    return answered(pad, {"do": "status", "circuit": circuit})
