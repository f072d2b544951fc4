"""``lampstep tell``: what a person sees corrects what the daemon believes."""

from __future__ import annotations

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.served import answered, circuit_with
from sequencer.errors import InputError
from sequencer.sitefile import load_site


def run(arguments: Arguments) -> Answer:
    """Each LAMP=SCENE in turn; the names are looked up before any is told."""
    from sequencer.daemon.orders import scene_code  # noqa: PLC0415 - after the arguments

    pad = load_site(arguments.site)
    if not arguments.seen:
        raise InputError("lampstep tell: say what a lamp shows: LAMP=SCENE, a scene of its datasheet")
    requests = []
    for lamp, scene in arguments.seen:
        circuit = circuit_with(pad, lamp, arguments.circuit)
        code = scene_code(pad, circuit, lamp, scene)
        requests.append({"do": "tell", "circuit": circuit.name, "lamp": lamp, "code": code})
    return [answered(pad, request) for request in requests][-1]
