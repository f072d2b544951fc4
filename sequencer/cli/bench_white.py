"""``lampstep bench white``: the white point and the spread of the rig's colour sensor."""

from __future__ import annotations

from sequencer.bench.rigfile import SensorEyes, load_rig
from sequencer.cli.answer import YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.errors import InputError
from sequencer.instruments import sensor
from sequencer.instruments.light import threshold


def run(arguments: Arguments) -> Answer:
    """Read the sensor while it looks at white; nothing is switched."""
    rig = load_rig(arguments.rig)
    if not isinstance(rig.eyes, SensorEyes):
        raise InputError(
            f'{rig.path}: [eyes] driver = "{rig.eyes.driver}" needs no white: only a sensor does'
        )
    with sensor.open_(rig.eyes.model_dump()) as eyes:
        white = eyes.white()
        notes = eyes.notes
    limit = threshold(white, rig.eyes.allowance)
    counts = ", ".join(f"{channel:.6g}" for channel in white.channels)
    lines = [
        f"White as {rig.name} sees it: put these two lines into [eyes] of {rig.path}:",
        "",
        f"white = [{counts}]",
        f"spread = {white.spread:.3f}",
        "",
        f"A colour counts within CIEDE2000 {limit:.1f}: {rig.eyes.allowance:g} for the lamp, the rest for these eyes.",
        *(f"Note: {note}." for note in notes),
    ]
    fields = {
        "rig": rig.name,
        "white": list(white.channels),
        "spread": white.spread,
        "threshold": limit,
        "notes": list(notes),
    }
    return Answer(YES, fields, "\n".join(lines))
