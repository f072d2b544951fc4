"""The standing orders of a site: what the daemon is to do by itself, day after day."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

from pydantic import Field, ValidationError

from sequencer.sitefile.calendar import ExceptionDays, Exceptions, Slot, Slots, calendar_faults, head
from sequencer.sitefile.pad import sound
from sequencer.sitefile.serve import Inputs, Line, Outputs, Serve
from sequencer.sitefile.tables import GpioRelay, same_pin
from sequencer.tomlfile import Faults, Loc, Table, did_you_mean, misfits, quoted

if TYPE_CHECKING:
    from sequencer.sitefile.pad import Pad
    from sequencer.tomlfile import TomlFile

KEYS = ("serve", "inputs", "outputs", "slot", "exception")
"""The tables of a site file that belong here."""


class Standing(Table):
    """The tables together; ``inputs`` and ``outputs`` by circuit."""

    serve: Serve = Serve()
    inputs: dict[str, Inputs] = Field(default_factory=dict)
    outputs: dict[str, Outputs] = Field(default_factory=dict)
    slots: Slots = Field(alias="slot", default=())
    exceptions: Exceptions = Field(alias="exception", default=())


def standing_orders(pad: Pad, file: TomlFile) -> tuple[Standing, list[str]]:
    """Read the tables and hold them against the pad; the problems as lines, in which case nothing is read."""
    data = {key: file.data[key] for key in KEYS if key in file.data}
    try:
        found = Standing.model_validate(data)
    except ValidationError as error:
        # pydantic stops before the checks across tables when any table is wrong: look at the sound ones.
        within = misfits(error, Standing, data)
        slots, exceptions = sound(data, "slot", Slot), sound(data, "exception", ExceptionDays)
        return Standing(), file.problems(chain(within, _calendar_faults(pad, slots, exceptions)))
    slots, exceptions = list(enumerate(found.slots)), list(enumerate(found.exceptions))
    return found, file.problems(chain(_faults(pad, found), _calendar_faults(pad, slots, exceptions)))


def _faults(pad: Pad, standing: Standing) -> Faults:
    circuits = [circuit.name for circuit in pad.circuits]
    scenes = [scene.name for scene in pad.scenes]
    for key, tables in (("inputs", standing.inputs), ("outputs", standing.outputs)):
        for name in tables:
            yield from _known((key, name), f"[{key}] no circuit", name, circuits)
    for index, scene in enumerate(standing.serve.favourites):
        yield from _known(("serve", "favourites", index), "[serve] favourites: no scene", scene, scenes)
    yield from _pin_faults(pad, standing)


def _calendar_faults(
    pad: Pad, slots: Sequence[tuple[int, Slot]], exceptions: Sequence[tuple[int, ExceptionDays]]
) -> Faults:
    """Names that the site has not, scenes that a lamp of the circuit has not, and what the tables clash in."""
    circuits = [circuit.name for circuit in pad.circuits]
    scenes = [scene.name for scene in pad.scenes]
    tables: list[tuple[str, int, Slot | ExceptionDays]] = [("slot", *slot) for slot in slots]
    tables += [("exception", *day) for day in exceptions]
    for key, index, table in tables:
        called = head(key, index, table.name)
        faults: list[tuple[Loc, str]] = []
        if table.scene is not None:
            faults += _known((key, index, "scene"), f"{called}: no scene", table.scene, scenes)
        if table.circuit is not None:
            faults += _known((key, index, "circuit"), f"{called}: no circuit", table.circuit, circuits)
        yield from faults
        if faults or table.scene is None:
            continue
        for circuit in circuits if table.circuit is None else [table.circuit]:
            for line in pad.lacking(circuit, table.scene):
                yield (key, index, "scene"), f"{called}: {line}"
    yield from calendar_faults(pad.site, slots, exceptions)


def _known(loc: Loc, what: str, name: str, known: list[str]) -> Faults:
    if name not in known:
        hint = did_you_mean(name, known)
        yield loc, f"{what} {quoted(name)}" + (f": {hint}" if hint else "")


def _pin_faults(pad: Pad, standing: Standing) -> Faults:
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
