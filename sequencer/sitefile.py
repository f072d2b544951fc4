"""A site file: what hangs on one pad, with the datasheets of its lamps."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path, PurePath
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, Strict, ValidationError, model_validator

from sequencer.datasheet import MAX_S, Datasheet, LampScene, parse_datasheet
from sequencer.errors import InputError
from sequencer.tomlfile import (
    Loc,
    MisfitError,
    Name,
    Number,
    Pair,
    Some,
    Table,
    TomlFile,
    did_you_mean,
    misfits,
    place,
    printable,
    quoted,
    read_toml,
    told,
)
from sequencer.train import Delays

MAX_TYPES = 50
"""Most datasheets one site may name."""
MAX_PATH = 400
"""Longest path to a datasheet, characters."""

T = TypeVar("T", bound=Table)
Faults = Iterator[tuple[Loc, str]]


def _time_zone(value: str) -> str:
    import zoneinfo  # noqa: PLC0415  (kept out of every start that reads only datasheets)

    try:
        zoneinfo.ZoneInfo(value)
    except (KeyError, ValueError, OSError):
        hint = did_you_mean(value, zoneinfo.available_timezones())
        remedy = hint or 'use a name such as "Europe/Oslo"'
        raise MisfitError(((), f"{quoted(value)} is no known time zone: {remedy}")) from None
    return value


def _flashes(value: float) -> float:
    if value > 3:
        rule = "WCAG 2.2, success criterion 2.3.1: faster flashes can bring on seizures"
        raise MisfitError(((), f"must be at most 3, not {value:g} ({rule})"))
    return value


def _delay(pair: tuple[float, float]) -> tuple[float, float]:
    least, greatest = pair
    if not 0 <= least <= greatest < 10:
        raise MisfitError(
            ((), f"must be the least and the greatest delay in seconds, not [{least}, {greatest}]")
        )
    return pair


def _pin(value: object) -> object:
    number = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    if number or (isinstance(value, str) and re.fullmatch(_PIN, value)):
        return value
    raise MisfitError(((), f'must be a pin such as 17, "GPIO17", "BOARD11" or "J8:11", not {told(value)}'))


def _lamp_name(value: str) -> str:
    if "=" in value:
        raise MisfitError(((), f"must not hold =, which --from LAMP=SCENE needs: {quoted(value)}"))
    return value


def _driver(value: object) -> object:
    if isinstance(value, Mapping) and value.get("driver") == "modbus":
        words = 'driver "modbus" is not in this version yet: use "gpio" or "simulated"'
        raise MisfitError((("driver",), words))
    return value


def _path(value: str) -> str:
    if not 0 < len(value) <= MAX_PATH or not value.isprintable():
        raise MisfitError(((), f"must be a file's path beside this file, not {quoted(value)}"))
    return value


_PIN = r"(?:GPIO|BCM|WPI|BOARD|[A-Z]+\d*:)?(?:0|[1-9]\d{0,3})"
DelayRange = Annotated[Pair, AfterValidator(_delay)]


class SiteInfo(Table):
    """Where the pad is, and whose rules apply."""

    name: Name
    latitude: Annotated[Number, Field(ge=-90, le=90)]
    longitude: Annotated[Number, Field(ge=-180, le=180)]
    timezone: Annotated[str, AfterValidator(_time_zone)]
    region: Literal["nec", "iec"]


class Timing(Table):
    """What every train of the site keeps to."""

    margin_s: Annotated[Number, Field(ge=0, le=10)] = 0.03
    max_flashes_per_s: Annotated[Number, Field(ge=0.01), AfterValidator(_flashes)] = 3.0
    max_dark_s: Annotated[Number, Field(gt=0, le=MAX_S)] = 20.0


class RelaySpec(Table):
    """What every relay has, whatever drives it."""

    side: Literal["secondary", "primary"]
    make_s: DelayRange
    break_s: DelayRange
    contact: Literal["normally_closed", "normally_open"]
    rated_cycles: Annotated[int, Field(ge=1)]

    @property
    def delays(self) -> Delays:
        """The delays as the planner and the player want them."""
        return Delays(self.make_s, self.break_s)


class GpioRelay(RelaySpec):
    """A relay on a pin of the board; ``pin`` as gpiozero names it."""

    driver: Literal["gpio"]
    pin: Annotated[int | str, BeforeValidator(_pin)]
    active_high: bool = True


class SimulatedRelay(RelaySpec):
    """No relay at all: for rehearsal and demonstration."""

    driver: Literal["simulated"]


class SiteLamp(Table):
    """A lamp on a circuit."""

    name: Annotated[Name, AfterValidator(_lamp_name)]
    datasheet: Annotated[str, AfterValidator(_path)]

    @property
    def stem(self) -> str:
        """The datasheet's file name without its ending: the type's name in picks."""
        return PurePath(self.datasheet).stem


class Circuit(Table):
    """The lamps behind one contact."""

    name: Name
    relay: Annotated[GpioRelay | SimulatedRelay, Field(discriminator="driver"), BeforeValidator(_driver)]
    lamps: Some[SiteLamp] = Field(alias="lamp")


class SiteScene(Table):
    """One name for the whole site; ``picks`` says per datasheet stem which lamp scene it is."""

    name: Name
    picks: dict[str, str] = Field(default_factory=dict)


class Site(Table):
    """The file as a whole."""

    site: SiteInfo
    timing: Timing = Timing()
    circuits: Some[Circuit] = Field(alias="circuit")
    scenes: Annotated[tuple[SiteScene, ...], Strict(False)] = Field(alias="scene", default=())

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if faults := list(_faults(list(enumerate(self.circuits)), list(enumerate(self.scenes)))):
            raise MisfitError(*faults)
        return self


@dataclass(frozen=True)
class Pad:
    """A site file with the datasheets it names; ``datasheets`` by file stem."""

    path: Path
    site: SiteInfo
    timing: Timing
    circuits: tuple[Circuit, ...]
    scenes: tuple[SiteScene, ...]
    datasheets: Mapping[str, Datasheet]

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
        found = {lamp.name: (lamp.stem, self.lamp_scene(scene, lamp.stem)) for lamp in circuit.lamps}
        lacking = {stem: name for name, (stem, lamp_scene) in reversed(found.items()) if lamp_scene is None}
        if lacking:
            asked = quoted(scene.name)
            remedy = f"give scene {asked} in {self.path.name} a pick for it"
            lines = (f"lamp {quoted(name)}: {stem} has no scene {asked}" for stem, name in lacking.items())
            raise InputError([f"{circuit.name}: {line}: {remedy}" for line in lines])
        return {name: lamp_scene for name, (_, lamp_scene) in found.items() if lamp_scene is not None}


def load_site(path: str | Path) -> Pad:
    """Read a site file and its datasheets; raises :class:`InputError` with a line for every problem found."""
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
        circuits, scenes = _sound(file.data, "circuit", Circuit), _sound(file.data, "scene", SiteScene)
        problems += file.problems(chain(within, _faults(circuits, scenes)))
    datasheets, more = _datasheets(file, path.parent)
    problems += more
    problems += file.problems(_pick_faults(scenes, datasheets))
    if site is None or problems:
        raise InputError(problems)
    known = {stem: sheet for stem, sheet in datasheets.items() if sheet is not None}
    return Pad(path, site.site, site.timing, site.circuits, site.scenes, known)


def _sound(data: dict[str, Any], key: str, model: type[T]) -> list[tuple[int, T]]:
    """Those tables of an array that are sound by themselves, with their places."""
    found = []
    tables = data.get(key)
    for index, table in enumerate(tables if isinstance(tables, list) else ()):
        try:
            found.append((index, model.model_validate(table)))
        except ValidationError:
            continue
    return found


def _faults(circuits: Sequence[tuple[int, Circuit]], scenes: Sequence[tuple[int, SiteScene]]) -> Faults:
    """What does not fit across circuits and scenes."""
    names: set[str] = set()
    pins: dict[object, str] = {}
    paths: dict[str, str] = {}
    for index, circuit in circuits:
        if circuit.name in names:
            yield ("circuit", index, "name"), f"two circuits are named {quoted(circuit.name)}"
        names.add(circuit.name)
        if isinstance(circuit.relay, GpioRelay):
            pin, label = same_pin(circuit.relay.pin), quoted(circuit.name)
            if pin in pins:
                words = f"{circuit.name}: [relay] pin {circuit.relay.pin} is taken by circuit {pins[pin]}"
                yield ("circuit", index, "relay", "pin"), words
            pins.setdefault(pin, label)
        lamps: set[str] = set()
        for n, lamp in enumerate(circuit.lamps):
            where = ("circuit", index, "lamp", n)
            if lamp.name in lamps:
                yield (*where, "name"), f"{circuit.name}: two lamps are named {quoted(lamp.name)}"
            lamps.add(lamp.name)
            path = os.path.normpath(lamp.datasheet)
            if paths.setdefault(lamp.stem, path) != path:
                both = f"{printable(paths[lamp.stem])} and {printable(path)}"
                words = f"{both} share the name {quoted(lamp.stem)}, by which picks know them: rename one"
                yield (*where, "datasheet"), f"{circuit.name}: lamp {quoted(lamp.name)}: {words}"
    names = set()
    for index, scene in scenes:
        if scene.name in names:
            yield ("scene", index, "name"), f"two scenes are named {quoted(scene.name)}"
        names.add(scene.name)


def same_pin(pin: int | str) -> int | str:
    """One value for the names that gpiozero gives one pin; a header's and a GPIO's number stay apart.

    >>> same_pin("GPIO17"), same_pin("17"), same_pin("BOARD11")
    (17, 17, 'J8:11')
    """
    if isinstance(pin, str):
        number = pin.removeprefix("GPIO").removeprefix("BCM")
        return int(number) if number.isdigit() else pin.replace("BOARD", "J8:")
    return pin


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


def _named_datasheets(data: dict[str, Any]) -> Iterator[tuple[Loc, str]]:
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
