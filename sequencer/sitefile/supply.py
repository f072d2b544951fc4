"""What a site file says of the supply of a circuit: transformer, protection, and the cables as a tree.

One table a circuit, ``[supply.lap-pool]``, as with ``[inputs.lap-pool]``. Read only where a site has one, and
only then imported.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import AfterValidator, Field, Strict, ValidationError, model_validator

from sequencer.sitefile.tables import Circuit, DelayRange
from sequencer.tomlfile import (
    MAX_NAME,
    Faults,
    Loc,
    MisfitError,
    Name,
    Number,
    Pair,
    Some,
    Table,
    did_you_mean,
    misfits,
    printable,
    quoted,
    told,
)

if TYPE_CHECKING:
    from sequencer.sitefile.pad import Pad
    from sequencer.tomlfile import TomlFile

TRANSFORMER = "transformer"
"""The node that every tree begins at: the secondary terminals, behind the relay's contact if that is there."""
AWG_SIZES = (18, 16, 14, 12, 10, 8, 6, 4)
MM2_SIZES = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0)
"""Sizes of IEC 60228 that pools are wired with."""
M_PER_FT = 0.3048
MAX_RUNS = 200
"""More than any pad has; a longer way than this from the transformer is not walked."""

Volts = Annotated[Number, Field(ge=1, le=1000)]
MAX_VA = 100_000
"""More than any pool's transformer, or lamp."""


def _awg(value: int) -> int:
    if value not in AWG_SIZES:
        raise MisfitError(((), f"must be one of {', '.join(map(str, AWG_SIZES))}, not {told(value)}"))
    return value


def _mm2(value: float) -> float:
    if value not in MM2_SIZES:
        known = ", ".join(f"{size:g}" for size in MM2_SIZES)
        raise MisfitError(((), f"must be one of {known} (IEC 60228), not {value:g}"))
    return value


def _range(pair: tuple[float, float]) -> tuple[float, float]:
    if not 1 <= pair[0] <= pair[1] <= 1000:
        words = f"must be the least and the greatest, 1 to 1000, not [{pair[0]:g}, {pair[1]:g}]"
        raise MisfitError(((), words))
    return pair


class Cable(Table):
    """A pair of conductors, out and back. ``length`` is one way, as the cable is laid."""

    length_m: Annotated[Number, Field(ge=0, le=1000)] | None = None
    length_ft: Annotated[Number, Field(ge=0, le=3300)] | None = None
    awg: Annotated[int, AfterValidator(_awg)] | None = None
    mm2: Annotated[Number, AfterValidator(_mm2)] | None = None
    strand: Literal["solid", "stranded", "class5"] = "stranded"
    temperature_c: Annotated[Number, Field(ge=-40, le=90)] = 40.0
    """Of the conductor; 40 is common practice, no source."""
    joints: Annotated[int, Field(ge=0, le=100)] = 0
    """Pairs of joints in it, one in either conductor."""
    joint_ohm: Annotated[Number, Field(ge=0, le=10)] = 0.005
    """Of each single joint; 5 milliohm for a good one is common practice, no source."""

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        if faults := list(self.lacking(self.given)):
            raise MisfitError(*faults)
        return self

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """A length and a size, each in one of two ways."""
        for one, other in (("length_m", "length_ft"), ("awg", "mm2")):
            if (one in given) == (other in given):
                how_many = f"not both {one} and {other}" if one in given else "neither is there"
                yield (one,), f"must have either {one} or {other}, {how_many}"

    @property
    def metres(self) -> float:
        """One way, in metres."""
        return self.length_m if self.length_m is not None else (self.length_ft or 0.0) * M_PER_FT

    @property
    def size(self) -> str:
        """The conductor as it is called.

        >>> Cable(length_m=1, awg=12).size, Cable(length_m=1, mm2=2.5).size
        ('AWG 12', '2.5 mm2')
        """
        return f"AWG {self.awg}" if self.awg is not None else f"{self.mm2:g} mm2"


class Run(Cable):
    """One cable of the tree; it is known by the node that it leads to."""

    start: Name = Field(alias="from")
    to: Name
    insulation_c: Literal[60, 75] = 60
    """What the insulation is rated for, which decides the ampacity."""


class Cord(Cable):
    """A lamp's own cord, and the node that it hangs on."""

    name: Name
    node: Name


class Tap(Table):
    """One secondary terminal. ``volts``: at rated load and nominal primary; ``mark``: as your terminal says."""

    volts: Volts
    mark: Name | None = None


class Transformer(Table):
    """Nominal figures as on its plate.

    ``regulation_of``: which of the two definitions ``regulation`` is: "full_load" for
    (V_no_load - V_full_load) / V_full_load, "no_load" for the same over V_no_load. ``r_ohm`` and ``x_ohm``
    instead: as seen from the secondary, on the tap in use.
    """

    kind: Literal["iron", "electronic"] = "iron"
    primary_v: Volts
    measured_primary_v: Volts | None = None
    primary_range_v: Annotated[Pair, AfterValidator(_range)] | None = None
    frequency_hz: Annotated[Number, Field(ge=16, le=400)]
    va: Annotated[Number, Field(ge=1, le=MAX_VA)]
    taps: Some[Tap]
    tap: Volts
    unused_capped: bool = False
    regulation: Annotated[Number, Field(ge=0, lt=0.5)] | None = None
    regulation_of: Literal["full_load", "no_load"] | None = None
    r_ohm: Annotated[Number, Field(ge=0, le=100)] | None = None
    x_ohm: Annotated[Number, Field(ge=0, le=100)] | None = None
    start_delay_s: DelayRange = (0.0, 0.0)
    """From primary volts to secondary volts: of an electronic transformer that starts anew after each break."""

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if faults := list(self._faults()):
            raise MisfitError(*faults)
        return self

    def _faults(self) -> Faults:
        volts = [tap.volts for tap in self.taps]
        if self.tap not in volts:
            known = ", ".join(f"{v:g}" for v in volts)
            yield ("tap",), f"tap {self.tap:g} is none of the taps: it has {known}"
        if len(set(volts)) < len(volts):
            yield ("taps",), "two taps have the same volts: write one"
        yield from self.lacking(self.given)
        if self.kind == "iron" and self.start_delay_s[1] > 0:
            yield ("start_delay_s",), 'start_delay_s is for kind = "electronic": iron starts at once'

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """How far its volts sag, in one of two ways."""
        if "regulation" in given and "regulation_of" not in given:
            words = 'regulation wants regulation_of: "full_load" for (no load - full load) / full load, '
            yield ("regulation",), words + '"no_load" for the same over no load'
        if "regulation" in given and ("r_ohm" in given or "x_ohm" in given):
            yield ("regulation",), "must have either regulation or r_ohm and x_ohm, not both"
        if given.get("kind", "iron") == "iron" and "regulation" not in given and "r_ohm" not in given:
            yield ("regulation",), "regulation is missing, or r_ohm (and x_ohm): measure no-load volts"


class Protection(Table):
    """Fuse or breaker, and on which side of the transformer it is."""

    amps: Annotated[Number, Field(gt=0, le=1000)]
    side: Literal["secondary", "primary"] = "secondary"


def _not_too_many(runs: tuple[Run, ...]) -> tuple[Run, ...]:
    if len(runs) > MAX_RUNS:
        raise MisfitError(((), f"has {len(runs)} entries: more than {MAX_RUNS} has no pad"))
    return runs


def header(circuit: str, key: str = "supply") -> str:
    """The table of a circuit as it is written.

    >>> header("deep"), header("lap pool")
    ('supply.deep', 'supply."lap pool"')
    """
    return f"{key}.{circuit if re.fullmatch('[A-Za-z0-9_-]+', circuit) else quoted(circuit)}"


class Supply(Table):
    """All of one circuit's supply. ``contact_ohm``: the relay's contact, closed (common practice, no source)."""

    transformer: Transformer
    protection: Protection | None = None
    contact_ohm: Annotated[Number, Field(ge=0, le=10)] = 0.01
    runs: Annotated[tuple[Run, ...], Strict(False), AfterValidator(_not_too_many)] = Field(
        alias="run", default=()
    )
    lamps: Some[Cord] = Field(alias="lamp")


def supplies(pad: Pad, file: TomlFile) -> tuple[Mapping[str, Supply], list[str]]:
    """Read ``[supply.*]`` and hold it against the pad; the problems as lines, in which case nothing is read."""
    tables = file.data["supply"]
    if not isinstance(tables, dict) or not all(isinstance(table, dict) for table in tables.values()):
        words = "[supply] must be one table a circuit, as in [supply.NAME]"
        return {}, file.problems([(("supply",), words)])
    found: dict[str, Supply] = {}
    problems: list[str] = []
    for circuit, table in tables.items():
        head = f"[supply] {printable(circuit)[:MAX_NAME]}: "
        try:
            found[circuit] = Supply.model_validate(table)
        except ValidationError as error:
            faults = misfits(error, Supply, table)
            problems += file.problems((("supply", circuit, *loc), head + words) for loc, words in faults)
        else:
            problems += file.problems(_faults(pad, circuit, found[circuit]))
    return found, problems


def with_starts(circuits: Sequence[Circuit], supply: Mapping[str, Supply]) -> tuple[Circuit, ...]:
    """Circuits whose relay switches an electronic transformer's primary: there closing takes its start, too."""
    return tuple(_with_start(circuit, supply.get(circuit.name)) for circuit in circuits)


def _with_start(circuit: Circuit, supply: Supply | None) -> Circuit:
    relay = circuit.relay
    if supply is None or relay.side == "secondary" or supply.transformer.start_delay_s[1] == 0:
        return circuit
    least, greatest = supply.transformer.start_delay_s
    make_s = (relay.make_s[0] + least, relay.make_s[1] + greatest)
    return circuit.model_copy(update={"relay": relay.model_copy(update={"make_s": make_s})})


def _faults(pad: Pad, circuit: str, supply: Supply) -> Faults:
    """What does not fit between one supply and the circuit, and within the tree."""
    where: Loc = ("supply", circuit)
    names = [hung.name for hung in pad.circuits]
    if circuit not in names:
        yield where, _unknown("[supply] no circuit", circuit, names)
        return
    hung = pad.circuit(circuit)
    stems = {lamp.name: lamp.stem for lamp in hung.lamps}
    nodes = [TRANSFORMER, *(run.to for run in supply.runs)]
    yield from _tree_faults(where, circuit, supply, nodes)
    seen: set[str] = set()
    for index, cord in enumerate(supply.lamps):
        here, head = (*where, "lamp", index), f"[supply] {circuit}: lamp {quoted(cord.name)}"
        if cord.name not in stems:
            yield (*here, "name"), _unknown(f"[supply] {circuit}: no lamp", cord.name, stems)
        elif cord.name in seen:
            yield (*here, "name"), f"{head} hangs on two nodes: keep one"
        elif (sheet := pad.datasheets.get(stems[cord.name])) and sheet.electrical is None:
            words = f"{head}: {stems[cord.name]} has no [electrical], without which its volts are unknown"
            yield here, words
        elif sheet and sheet.electrical and sheet.electrical.watts > MAX_VA * sheet.electrical.power_factor:
            yield here, f"{head}: {stems[cord.name]} takes more than {MAX_VA} VA: no lamp does"
        if cord.name in nodes:
            yield (*here, "name"), f"{head}: a node has that name, too: give the node another"
        if cord.node not in nodes:
            yield (*here, "node"), _unknown(f"{head}: no run leads to", cord.node, nodes)
        seen.add(cord.name)
    for lamp in stems:
        if lamp not in seen:
            yield (
                where,
                f"[supply] {circuit}: lamp {quoted(lamp)} hangs nowhere: add it as [[supply.{circuit}.lamp]]",
            )


def _tree_faults(where: Loc, circuit: str, supply: Supply, nodes: list[str]) -> Faults:
    fed: dict[str, str] = {}
    for index, run in enumerate(supply.runs):
        here, head = (*where, "run", index), f"[supply] {circuit}: run to {quoted(run.to)}"
        if run.to == TRANSFORMER:
            yield (*here, "to"), f"{head}: the tree begins there: name another node"
        elif run.to in fed:
            words = f"{head}: it is fed from {quoted(fed[run.to])} already: a node has one run to it"
            yield (*here, "to"), words
        elif run.start not in nodes:
            yield (*here, "from"), _unknown(f"{head}: nothing feeds", run.start, nodes)
        fed.setdefault(run.to, run.start)
    told: set[str] = set()
    for index, run in enumerate(supply.runs):
        way = [run.to]
        while way[-1] in fed and fed[way[-1]] not in (*way, TRANSFORMER):
            way.append(fed[way[-1]])
        if way[-1] in fed and fed[way[-1]] != TRANSFORMER and not told.intersection(way):
            loop = [*way[way.index(fed[way[-1]]) :], fed[way[-1]]]
            told.update(way)
            words = f"a loop that the transformer does not feed: {' from '.join(map(quoted, loop))}"
            yield (*where, "run", index), f"[supply] {circuit}: {words}: one of them is fed from elsewhere"


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    hint = did_you_mean(name, known)
    return f"{what} {quoted(name)}" + (f": {hint}" if hint else "")
