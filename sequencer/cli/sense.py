"""``lampstep sense``: the circuit's current held against the scene that its lamps are held to be on."""

from __future__ import annotations

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.asked import circuit_named, named
from sequencer.diagnosis.current import Hypothesis, Meter, Reading, hold, reading_lines
from sequencer.errors import InputError
from sequencer.relay.meter import open_meter
from sequencer.sitefile import Pad, load_site
from sequencer.sitefile.supply import header
from sequencer.supply.feed import feed_of
from sequencer.tomlfile import quoted

CLAMP = Meter(error=0.02, error_a=0.05)
"""A clamp meter in a hand (common practice, no source)."""
CAUTION = (
    "A clamp goes around ONE conductor of the low-voltage secondary. The primary is for licensed people; never defeat "
    "a GFCI or RCD."
)


def run(arguments: Arguments) -> Answer:
    """Read once, or take what was typed; the answer is no when the current contradicts."""
    pad = load_site(arguments.site)
    circuit, scene = _asked(pad, arguments)
    feed = feed_of(pad, circuit)
    if feed is None:
        words = f"what its lamps should draw is unknown: add [{header(circuit)}] to {pad.path.name}"
        raise InputError(f"{circuit}: {words}")
    meant = {lamp: each.name for lamp, each in pad.wanted(circuit, scene).items()}
    amps, meter = _read(pad, circuit, arguments.amps)
    reading = hold(feed, meant, amps, meter)
    text = "\n".join([f"{circuit}, held to be on {quoted(scene)}: {reading_lines(reading)[0]}"])
    text = "\n".join([text, *reading_lines(reading)[1:], "", CAUTION])
    return Answer(YES if reading.matched else NO, _fields(circuit, scene, reading), text)


def _asked(pad: Pad, arguments: Arguments) -> tuple[str, str]:
    problems: list[str] = []
    circuit = circuit_named(pad, arguments.circuit, problems)
    scene = named("--scene", arguments.scene, [each.name for each in pad.scenes], pad.scene, problems)
    if problems:
        raise InputError(problems)
    return circuit, scene


def _read(pad: Pad, circuit: str, typed: float | None) -> tuple[float, Meter]:
    """The amps and how good they are; raises HardwareError when the meter cannot be read."""
    if typed is not None:
        return typed, CLAMP
    if (spec := pad.sense.get(circuit)) is None:
        table = header(circuit, "sense")
        raise InputError(
            f"{circuit}: no meter reads its current: add [{table}] to {pad.path.name}, or type --amps"
        )
    return open_meter(spec.model_dump()).amps(), Meter(spec.error, spec.error_a)


def _fields(circuit: str, scene: str, reading: Reading) -> dict[str, object]:
    return {
        "circuit": circuit,
        "scene": scene,
        "amps": reading.amps,
        "expected_a": reading.meant.amps,
        "least_a": reading.meant.least_a,
        "matched": reading.matched,
        "fits": [_told(each) for each in reading.fits],
        "unknown_watts": list(reading.unknown),
        "words": reading_lines(reading),
    }


def _told(each: Hypothesis) -> dict[str, object]:
    return {"kind": each.kind, "lamp": each.lamp, "scene": each.scene, "amps": each.amps}
