"""``lampstep check``: what hangs on a pad, and what is doubtful about it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from sequencer.cli.answer import YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.orders import kept_and_refused, orders_fields, orders_lines
from sequencer.datasheet import Datasheet
from sequencer.doubts import Doubt, Upkeep, doubts, standing_doubts
from sequencer.layout import table
from sequencer.sitefile import Circuit, Pad, load_site
from sequencer.tomlfile import printable, quoted

CHOOSES = {"count": "counts breaks", "step": "steps with each break"}
KEEPS = {
    "remembered": "keeps its scene when long dark",
    "first": "goes to its first scene when long dark",
    "next": "goes one scene on when long dark",
}


def run(arguments: Arguments) -> Answer:
    """Read everything; doubts do not change the exit status."""
    pad = load_site(arguments.site, standing=True)
    kept, refused = kept_and_refused(pad)
    found = (*doubts(pad), *standing_doubts(pad, kept, refused, datetime.now(UTC)))
    return Answer(YES, _fields(pad, kept, found), _text(pad, kept, found))


def _fields(pad: Pad, kept: Mapping[str, Upkeep], found: tuple[Doubt, ...]) -> dict[str, object]:
    return {
        "site": pad.site.name,
        "circuits": [
            {
                "circuit": circuit.name,
                "relay": circuit.relay.model_dump(),
                "lamps": [{"lamp": lamp.name, "datasheet": lamp.stem} for lamp in circuit.lamps],
            }
            for circuit in pad.circuits
        ],
        "datasheets": [
            {
                "datasheet": stem,
                "name": sheet.lamp.name,
                "selects_by": sheet.lamp.selects_by,
                "resets": sheet.off.reset is not None,
                "after_power_down": sheet.lamp.after_power_down,
                "scenes": [{"code": scene.code, "name": scene.name} for scene in sheet.scenes],
            }
            for stem, sheet in pad.datasheets.items()
        ],
        "scenes": [{"scene": scene.name, "picks": _picks(pad, scene.name)} for scene in pad.scenes],
        "daemon": orders_fields(pad, kept),
        "doubts": [{"where": doubt.where, "what": doubt.what, "remedy": doubt.remedy} for doubt in found],
    }


def _text(pad: Pad, kept: Mapping[str, Upkeep], found: tuple[Doubt, ...]) -> str:
    lines = [f"{pad.site.name} ({pad.path})"]
    for circuit in pad.circuits:
        lines += ["", f"Circuit {quoted(circuit.name)}: {_relay(circuit)}"]
        lines += table([(lamp.name, lamp.stem) for lamp in circuit.lamps], "ll", heads=False)
    lines += ["", "Types of lamp"]
    lines += table(
        [(stem, sheet.lamp.name, _kind(sheet)) for stem, sheet in pad.datasheets.items()], "lll", heads=False
    )
    if pad.scenes:
        lines += ["", "Scenes"]
        lines += table(
            [("", *pad.datasheets), *(_row(pad, s.name) for s in pad.scenes)], "l" * (len(pad.datasheets) + 1)
        )
    lines += orders_lines(pad, kept)
    lines += ["", "Doubts", *(f"  {doubt}" for doubt in found)]
    return "\n".join([*lines, "", *_verdict(pad, found)])


def _verdict(pad: Pad, found: tuple[Doubt, ...]) -> list[str]:
    """How many doubts there are, which lamps get the wrong volts, and the next command."""
    doubts = sum(not doubt.of_every_site for doubt in found)
    gets = {circuit: _starved(pad, circuit) for circuit in pad.supply}
    words = [
        _volts_words(few_or_many, [n for each in gets.values() for n in each[few_or_many]])
        for few_or_many in ("few", "many")
    ]
    said = (
        " ".join([_doubts_words(doubts), *filter(None, words)])
        if doubts
        else "Nothing is wrong in these files."
    )
    for circuit, lamps in gets.items():
        if any(lamps.values()):
            look = f"lampstep supply {_word(str(pad.path))} --circuit {_word(circuit)}"
            return [said, f"Next: see which tap or cable would do: {look}"]
    if not pad.scenes:
        return [said]
    first = f"--circuit {_word(pad.circuits[0].name)} --scene {_word(pad.scenes[0].name)}"
    return [said, f"Next: lampstep plan {_word(str(pad.path))} {first}"]


def _doubts_words(doubts: int) -> str:
    if doubts == 1:
        return "1 doubt: look into it before a train is sent."
    return f"{doubts} doubts: look into each of them before a train is sent."


def _starved(pad: Pad, circuit: str) -> dict[str, list[str]]:
    """The circuit's lamps that may get too few volts, and those that may get too many."""
    from sequencer.supply.extremes import extremes  # noqa: PLC0415 - many sites have no supply
    from sequencer.supply.feed import feed_of  # noqa: PLC0415

    feed = feed_of(pad, circuit)
    found = extremes(feed) if feed is not None else {}
    return {
        "few": [name for name, each in found.items() if each.short],
        "many": [name for name, each in found.items() if each.over],
    }


def _volts_words(few_or_many: str, lamps: list[str]) -> str:
    if not lamps:
        return ""
    return f"Too {few_or_many} volts: lamp{'s' if len(lamps) > 1 else ''} {', '.join(map(quoted, lamps))}."


def _relay(circuit: Circuit) -> str:
    relay = circuit.relay
    contact, line = relay.contact.replace("_", " "), ""
    if relay.driver == "gpio":
        driver = f"relay on pin {relay.pin}"
    elif relay.driver == "modbus":
        driver = f"relay on unit {relay.unit}, coil {relay.coil} ({printable(relay.line)})"
        line = f", the line at {relay.baud} baud included"
    else:
        driver = "simulated relay"
    spread_ms = relay.delays.spread_s * 1000
    return f"{driver} in the {relay.side}, {contact}, spread {spread_ms:.1f} ms either way{line}"


def _kind(sheet: Datasheet) -> str:
    reset = ", has a reset" if sheet.off.reset else ""
    scenes = f"{len(sheet.scenes)} scene{'s' if len(sheet.scenes) > 1 else ''}"
    return f"{CHOOSES[sheet.lamp.selects_by]}, {scenes}{reset}, {KEEPS[sheet.lamp.after_power_down]}"


def _picks(pad: Pad, scene: str) -> dict[str, str | None]:
    picked = {stem: pad.lamp_scene(pad.scene(scene), stem) for stem in pad.datasheets}
    return {stem: None if found is None else found.name for stem, found in picked.items()}


def _row(pad: Pad, scene: str) -> tuple[str, ...]:
    return (scene, *(name or "-" for name in _picks(pad, scene).values()))


def _word(name: str) -> str:
    from shlex import quote  # noqa: PLC0415

    return quote(name)
