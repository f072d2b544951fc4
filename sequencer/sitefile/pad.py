"""A site file as a whole: what hangs on one pad, with the datasheets of its lamps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from sequencer.datasheet import Datasheet, LampScene, parse_datasheet
from sequencer.errors import InputError
from sequencer.sitefile.line import MAX_PATH
from sequencer.sitefile.tables import (
    Circuit,
    Site,
    SiteInfo,
    SiteScene,
    Timing,
    site_faults,
)
from sequencer.tomlfile import Faults, Table, TomlFile, did_you_mean, misfits, place, quoted, read_toml

if TYPE_CHECKING:
    from sequencer.sitefile.sense import ModbusMeter, SimulatedMeter
    from sequencer.sitefile.standing import Standing
    from sequencer.sitefile.supply import Supply

MAX_TYPES = 50
"""Most datasheets one site may name."""

T = TypeVar("T", bound=Table)


@dataclass(frozen=True)
class Pad:
    """A site file with the datasheets it names; ``datasheets`` by file stem."""

    path: Path
    site: SiteInfo
    timing: Timing
    circuits: tuple[Circuit, ...]
    scenes: tuple[SiteScene, ...]
    datasheets: Mapping[str, Datasheet]
    standing: Standing | None = None
    """The daemon's orders, where they were asked for."""
    supply: Mapping[str, Supply] = field(default_factory=dict)
    """By circuit, where the site says what feeds it."""
    sense: Mapping[str, ModbusMeter | SimulatedMeter] = field(default_factory=dict)
    """By circuit, where a meter reads its current."""

    def circuit(self, name: str) -> Circuit:
        """The circuit of that name; raises :class:`InputError` with the nearest known name."""
        for circuit in self.circuits:
            if circuit.name == name:
                return circuit
        raise InputError(_unknown(f"{self.path.name}: no circuit", name, (c.name for c in self.circuits)))

    def scene(self, name: str) -> SiteScene:
        """The site's scene of that name; raises :class:`InputError` with the nearest known name."""
        for scene in self.scenes:
            if scene.name == name:
                return scene
        raise InputError(_unknown(f"{self.path.name}: no scene", name, (s.name for s in self.scenes)))

    def lamp_scene(self, scene: SiteScene, stem: str) -> LampScene | None:
        """What lamps of one type show in a scene of the site: its pick, else their scene of that name."""
        return self.datasheets[stem].scene_by_name(scene.picks.get(stem, scene.name))

    def wanted(self, circuit_name: str, scene_name: str) -> dict[str, LampScene]:
        """Per lamp of the circuit the lamp scene to end on; raises :class:`InputError` when one has none."""
        circuit, scene = self.circuit(circuit_name), self.scene(scene_name)
        if lacking := self.lacking(circuit_name, scene_name):
            raise InputError(lacking)
        found = {lamp.name: self.lamp_scene(scene, lamp.stem) for lamp in circuit.lamps}
        return {name: lamp_scene for name, lamp_scene in found.items() if lamp_scene is not None}

    def lacking(self, circuit_name: str, scene_name: str) -> list[str]:
        """A line for each type on the circuit that has no lamp scene for it; a type without its datasheet has none.

        :raises InputError: no such circuit or scene.
        """
        circuit, scene = self.circuit(circuit_name), self.scene(scene_name)
        first = {lamp.stem: lamp.name for lamp in reversed(circuit.lamps) if lamp.stem in self.datasheets}
        asked = quoted(scene.name)
        remedy = f"give scene {asked} in {self.path.name} a pick for it"
        return [
            f"{circuit.name}: lamp {quoted(name)}: {stem} has no scene {asked}: {remedy}"
            for stem, name in first.items()
            if self.lamp_scene(scene, stem) is None
        ]


def load_site(path: str | Path, *, standing: bool = False) -> Pad:
    """Read a site file and its datasheets; raises :class:`InputError` with a line for every problem found.

    ``standing``: the daemon's tables too, which are otherwise left unread.
    """
    path = Path(path)
    file = read_toml(path)
    problems: list[str] = []
    site: Site | None = None
    try:
        site = Site.model_validate(file.data)
        scenes = list(enumerate(site.scenes))
    except ValidationError as error:
        within = misfits(error, Site, file.data)
        # pydantic stops before the checks across tables when any table is wrong: look at the sound ones.
        circuits, scenes = sound(file.data, "circuit", Circuit), sound(file.data, "scene", SiteScene)
        problems += file.problems(chain(within, site_faults(circuits, scenes)))
    datasheets, more = _datasheets(file, path.parent)
    problems += more
    problems += file.problems(_pick_faults(scenes, datasheets))
    known = {stem: sheet for stem, sheet in datasheets.items() if sheet is not None}
    if site is None:
        raise InputError(problems)
    pad = Pad(path, site.site, site.timing, site.circuits, site.scenes, known)
    if standing:
        from sequencer.sitefile.standing import standing_orders  # noqa: PLC0415 - heavy, and seldom needed

        orders, more = standing_orders(pad, file)
        pad, problems = replace(pad, standing=orders), [*problems, *more]
    if "supply" in file.data:
        from sequencer.sitefile.supply import supplies, with_starts  # noqa: PLC0415 - many sites have none

        supply, more = supplies(pad, file)
        pad = replace(pad, supply=supply, circuits=with_starts(pad.circuits, supply))
        problems = [*problems, *more]
    if "sense" in file.data:
        from sequencer.sitefile.sense import senses  # noqa: PLC0415 - few sites have one

        sense, more = senses(pad, file)
        pad, problems = replace(pad, sense=sense), [*problems, *more]
    if problems:
        raise InputError(problems)
    return pad


def sound(data: dict[str, Any], key: str, model: type[T]) -> list[tuple[int, T]]:
    """Those tables of an array that are sound by themselves, with their places."""
    found = []
    tables = data.get(key)
    for index, table in enumerate(tables if isinstance(tables, list) else ()):
        try:
            found.append((index, model.model_validate(table)))
        except ValidationError:
            continue
    return found


def _datasheets(file: TomlFile, folder: Path) -> tuple[dict[str, Datasheet | None], list[str]]:
    """Every datasheet that any lamp names, by stem (``None`` when it is not sound), and the problems."""
    found: dict[str, Datasheet | None] = {}
    problems: list[str] = []
    for loc, name in _named_datasheets(file.data):
        stem = PurePath(name).stem
        if stem in found:
            continue
        if len(found) == MAX_TYPES:
            problems.append(f"{file.shown}: more than {MAX_TYPES} datasheets: no pad has so many types")
            break
        found[stem] = None
        head = place(loc[:-1], file.data).rstrip(": ")
        try:
            sheet = parse_datasheet(read_toml(folder / name, name), head)
        except InputError as error:
            problems += [file.problem(loc, line, head) for line in error.problems]
            continue
        if isinstance(sheet, Datasheet):
            found[stem] = sheet
        else:
            problems += sheet
    return found, problems


def _named_datasheets(data: dict[str, Any]) -> Faults:
    """Where a lamp names a datasheet, in tables that may be wrong otherwise."""
    for c, circuit in enumerate(_tables(data.get("circuit"))):
        for n, lamp in enumerate(_tables(circuit.get("lamp"))):
            name = lamp.get("datasheet")
            if isinstance(name, str) and 0 < len(name) <= MAX_PATH and name.isprintable():
                yield ("circuit", c, "lamp", n, "datasheet"), name


def _tables(value: object) -> list[dict[str, Any]]:
    return [t if isinstance(t, dict) else {} for t in value] if isinstance(value, list) else []


def _pick_faults(
    scenes: Sequence[tuple[int, SiteScene]], datasheets: Mapping[str, Datasheet | None]
) -> Faults:
    """Picks that name no datasheet of the site, or no scene of it."""
    for index, scene in scenes:
        for stem, pick in scene.picks.items():
            loc, head = ("scene", index, "picks", stem), f"scene {quoted(scene.name)}: [picks]"
            if stem not in datasheets:
                yield loc, _unknown(f"{head} no lamp has a datasheet", stem, datasheets)
            elif (sheet := datasheets[stem]) and sheet.scene_by_name(pick) is None:
                yield loc, _unknown(f"{head} {stem} has no scene", pick, (s.name for s in sheet.scenes))


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    hint = did_you_mean(name, known)
    return f"{what} {quoted(name)}" + (f": {hint}" if hint else "")
