"""The standing orders of a site: what the daemon is to do by itself, day after day."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, Strict, ValidationError

from sequencer.sitefile.calendar import Slot
from sequencer.sitefile.serve import Inputs, Line, Outputs, Serve
from sequencer.sitefile.tables import GpioRelay, same_pin
from sequencer.tomlfile import Loc, Table, did_you_mean, misfits, quoted

if TYPE_CHECKING:
    from sequencer.sitefile.pad import Pad
    from sequencer.tomlfile import TomlFile

KEYS = ("serve", "inputs", "outputs", "slot")
"""The tables of a site file that belong here."""


class Standing(Table):
    """The tables together; ``inputs`` and ``outputs`` by circuit."""

    serve: Serve = Serve()
    inputs: dict[str, Inputs] = Field(default_factory=dict)
    outputs: dict[str, Outputs] = Field(default_factory=dict)
    slots: Annotated[tuple[Slot, ...], Strict(False)] = Field(alias="slot", default=())


def standing_orders(pad: Pad, file: TomlFile) -> tuple[Standing, list[str]]:
    """Read the tables and hold them against the pad; the problems as lines, in which case nothing is read."""
    data = {key: file.data[key] for key in KEYS if key in file.data}
    try:
        found = Standing.model_validate(data)
    except ValidationError as error:
        return Standing(), file.problems(misfits(error, Standing, data))
    return found, file.problems(_faults(pad, found))


def _faults(pad: Pad, standing: Standing) -> Iterator[tuple[Loc, str]]:
    circuits = [circuit.name for circuit in pad.circuits]
    scenes = [scene.name for scene in pad.scenes]
    for key, tables in (("inputs", standing.inputs), ("outputs", standing.outputs)):
        for name in tables:
            yield from _known((key, name), f"[{key}] no circuit", name, circuits)
    for index, scene in enumerate(standing.serve.favourites):
        yield from _known(("serve", "favourites", index), "[serve] favourites: no scene", scene, scenes)
    for index, slot in enumerate(standing.slots):
        yield from _known(("slot", index, "scene"), f"slot {index + 1}: no scene", slot.scene, scenes)
        if slot.circuit is not None:
            yield from _known(
                ("slot", index, "circuit"), f"slot {index + 1}: no circuit", slot.circuit, circuits
            )
    yield from _pin_faults(pad, standing)


def _known(loc: Loc, what: str, name: str, known: list[str]) -> Iterator[tuple[Loc, str]]:
    if name not in known:
        hint = did_you_mean(name, known)
        yield loc, f"{what} {quoted(name)}" + (f": {hint}" if hint else "")


def _pin_faults(pad: Pad, standing: Standing) -> Iterator[tuple[Loc, str]]:
    """Pins with two uses; a relay's own are compared where relays are."""
    taken: dict[object, str] = {}
    for circuit in pad.circuits:
        if isinstance(circuit.relay, GpioRelay):
            taken[same_pin(circuit.relay.pin)] = f"the relay of {quoted(circuit.name)}"
    for key, tables in (("inputs", standing.inputs), ("outputs", standing.outputs)):
        for name, table in tables.items():
            lines: dict[str, Any] = {field: getattr(table, field) for field in type(table).model_fields}
            for field, line in lines.items():
                if not isinstance(line, Line) or line.pin is None:
                    continue
                pin = same_pin(line.pin)
                if pin in taken:
                    words = f"{name}: [{key}] {field}: pin {line.pin} is taken by {taken[pin]}"
                    yield (key, name, field), words
                taken.setdefault(pin, f"the {field} of {quoted(name)}")
