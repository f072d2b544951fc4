"""A datasheet: how one type of lamp behaves, as its TOML file says it.

All times are seconds, volts RMS at the lamp, watts the worst case. What the words mean is told in
``docs/`` and shown, key by key, in ``config/lamps/``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, ValidationError, model_validator

from sequencer.errors import InputError
from sequencer.tomlfile import (
    Faults,
    MisfitError,
    Name,
    Number,
    Pair,
    Some,
    Table,
    TomlFile,
    misfits,
    quoted,
    read_toml,
)

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

MAX_CODE = 100
"""Highest code: nobody interrupts a supply more often than that to choose one scene."""
MAX_S = 86_400
"""Longest time in a datasheet, a day; beyond it there is only inf."""


def _window(pair: tuple[float, float]) -> tuple[float, float]:
    start, end = pair
    if math.isnan(start) or math.isnan(end):
        raise MisfitError(((), "must be two numbers, not nan"))
    if not 0 <= start <= MAX_S:
        raise MisfitError(((), f"must start between 0 and {MAX_S} s, not at {start}"))
    if start > end:
        raise MisfitError(((), f"starts at {start} s, after its end at {end} s"))
    if MAX_S < end < math.inf:
        raise MisfitError(((), f"must end by {MAX_S} s, or in inf, not at {end}"))
    return pair


def _colour(value: str) -> str:
    if not re.fullmatch("#[0-9a-fA-F]{6}", value):
        raise MisfitError(((), f"must be # and six digits of 0-9 and a-f, not {quoted(value)}"))
    return value


Window = Annotated[Pair, AfterValidator(_window)]
Colour = Annotated[str, AfterValidator(_colour)]
Positive = Annotated[Number, Field(gt=0)]


class Lamp(Table):
    """How a lamp chooses, and what it keeps."""

    name: Name
    selects_by: Literal["count", "step"]
    after_power_down: Literal["remembered", "first", "next"]
    overflow: Literal["unknown", "ignored", "wraps"] = "unknown"
    clock_tolerance: Annotated[Number, Field(ge=0, lt=0.5)]

    @model_validator(mode="after")
    def _agree(self) -> Self:
        if self.selects_by == "count" and self.after_power_down == "next":
            raise MisfitError(
                (("after_power_down",), 'after_power_down = "next" is for lamps that select by "step"')
            )
        if self.selects_by == "step" and self.overflow == "ignored":
            words = 'overflow = "ignored": a ring of steps has no end: leave overflow out'
            raise MisfitError((("overflow",), words))
        return self


class Off(Table):
    """What a break does, by its length; the windows in order of length, without overlap."""

    ignored: Window
    pulse: Window
    reset: Window | None = None
    power_down: Window

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if faults := list(self._faults()):
            raise MisfitError(*faults)
        return self

    def _faults(self) -> Faults:
        if self.ignored[0] != 0:
            yield (
                ("ignored",),
                f"ignored must start at 0, not at {self.ignored[0]}: the shortest breaks pass unseen",
            )
        if not math.isinf(self.power_down[1]):
            yield (
                ("power_down",),
                f"power_down must end in inf, not at {self.power_down[1]}: no break is too long",
            )
        names = ("ignored", "pulse", "reset", "power_down")
        windows = [(name, window) for name in names if (window := getattr(self, name)) is not None]
        for place, (name, (start, end)) in enumerate(windows):
            for later, (later_start, later_end) in windows[place + 1 :]:
                if start < later_end and later_start < end:
                    shared = f"{max(start, later_start)}-{min(end, later_end)} s"
                    yield (later,), f"{name} and {later} overlap ({shared})"
                elif later_start < start:
                    yield (
                        (later,),
                        f"{later} comes before {name}: the order is {', '.join(n for n, _ in windows)}",
                    )


class On(Table):
    """What the supply between two breaks does, by its length."""

    same_train: Window
    settled: Window | None = None
    warm_up: Window | None = None
    noticed: Window | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if faults := list(self._faults()):
            raise MisfitError(*faults)
        return self

    def _faults(self) -> Faults:
        endless = (("settled", self.settled), ("warm_up", self.warm_up), ("noticed", self.noticed))
        for name, window in endless:
            if window is not None and not math.isinf(window[1]):
                yield (name,), f"{name} must end in inf, not at {window[1]}: no supply is too long"
        if self.settled is not None and self.same_train[1] >= self.settled[0]:
            words = (
                f"same_train must end ({self.same_train[1]} s) before settled starts ({self.settled[0]} s)"
            )
            yield ("settled",), words


class Electrical(Table):
    """Constant power, worst case over scenes."""

    watts: Positive
    power_factor: Annotated[Number, Field(gt=0, le=1)]
    volts: Pair

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        low, high = self.volts
        if not 0 < low <= high < math.inf:
            raise MisfitError(
                (("volts",), f"volts must be the least and the greatest, above 0, not [{low}, {high}]")
            )
        return self


class HoldUp(Table):
    """Ride-through on the lamp's own capacitors, from the rectified peak down to ``dropout_v``."""

    capacitance_f: Positive
    dropout_v: Positive


class LampScene(Table):
    """What a lamp shows: still (``colour``) or moving (``period_s`` and ``colours``)."""

    code: Annotated[int, Field(ge=1, le=MAX_CODE)]
    name: Name
    colour: Colour | None = None
    period_s: Annotated[Positive, Field(le=MAX_S)] | None = None
    colours: Some[Colour] | None = None
    watts: Positive | None = None

    @model_validator(mode="after")
    def _still_or_moving(self) -> Self:
        if self.colour is not None and (self.period_s is not None or self.colours is not None):
            raise MisfitError((("colour",), "is still (colour) or moving (period_s and colours), not both"))
        return self


class Datasheet(Table):
    """One type of lamp."""

    lamp: Lamp
    off: Off
    on: On
    electrical: Electrical | None = None
    hold_up: HoldUp | None = None
    scenes: Some[LampScene] = Field(alias="scene")

    @model_validator(mode="after")
    def _agree(self) -> Self:
        parts = {name: getattr(self, name) for name in Datasheet.model_fields}
        if faults := list(_faults(**parts)):
            raise MisfitError(*faults)
        return self

    @property
    def warm_up(self) -> tuple[float, float]:
        """Supply needed before the first pulse of a train; by default same_train's start is enough."""
        return self.on.warm_up or (self.on.same_train[0], math.inf)

    @property
    def noticed(self) -> tuple[float, float]:
        """Supply after a break that it certainly notices; by default same_train's start is enough."""
        return self.on.noticed or (self.on.same_train[0], math.inf)

    def scene_by_name(self, name: str) -> LampScene | None:
        """The scene of that name, or ``None``."""
        return next((scene for scene in self.scenes if scene.name == name), None)

    def scene_by_code(self, code: int) -> LampScene | None:
        """The scene with that code, or ``None``."""
        return next((scene for scene in self.scenes if scene.code == code), None)


def _faults(
    *,
    lamp: Lamp | None,
    off: Off | None,
    on: On | None,
    electrical: Electrical | None,
    hold_up: HoldUp | None,
    scenes: Sequence[LampScene] | None,
) -> Faults:
    """What does not fit across tables; a table that is itself wrong comes as ``None`` and is passed over."""
    if lamp and on and lamp.selects_by == "count" and on.settled is None:
        yield ("on",), '[on] settled is missing: a lamp that selects by "count" has chosen once settled'
    if electrical and hold_up and hold_up.dropout_v >= electrical.volts[0] * math.sqrt(2):
        peak = f"{electrical.volts[0] * math.sqrt(2):.1f} V, the peak of {electrical.volts[0]} V RMS"
        yield ("hold_up", "dropout_v"), f"[hold_up] dropout_v must be below {peak}"
    if scenes is not None:
        yield from _scene_faults(scenes)
        codes = {scene.code for scene in scenes}
        gaps = ", ".join(str(code) for code in range(1, max(codes, default=0)) if code not in codes)
        if gaps and lamp and lamp.selects_by == "step":
            yield ("scene",), f"no scene has code {gaps}: the ring of a step lamp has every place from 1"
        elif gaps and lamp and lamp.overflow == "wraps":
            yield ("scene",), f'no scene has code {gaps}: overflow = "wraps" wants every code from 1'
        elif codes and 1 not in codes and off and off.reset:
            yield ("scene",), "no scene has code 1, but [off] reset goes there"
        elif codes and 1 not in codes and lamp and lamp.after_power_down == "first":
            yield ("scene",), 'no scene has code 1, but after_power_down = "first" goes there'


def _scene_faults(scenes: Sequence[LampScene]) -> Faults:
    codes: set[int] = set()
    names: set[str] = set()
    for index, scene in enumerate(scenes):
        if scene.code in codes:
            yield ("scene", index, "code"), f"scene {quoted(scene.name)}: code {scene.code} is taken already"
        if scene.name in names:
            yield ("scene", index, "name"), f"scene {quoted(scene.name)}: the name is taken already"
        codes.add(scene.code)
        names.add(scene.name)


def load_datasheet(path: str | Path) -> Datasheet:
    """Read a datasheet; raises :class:`InputError` with one line a problem, all that could be found."""
    file = read_toml(Path(path))
    found = parse_datasheet(file)
    if isinstance(found, Datasheet):
        return found
    raise InputError(found)


def parse_datasheet(file: TomlFile, head: str | None = None) -> Datasheet | list[str]:
    """The datasheet, or its problems as lines that begin with ``head`` (the file, when left out)."""
    try:
        return Datasheet.model_validate(file.data)
    except ValidationError as error:
        within = misfits(error, Datasheet, file.data)
    # pydantic stops before the checks across tables when any table is wrong: look at the sound ones.
    fields = Datasheet.model_fields.items()
    parts = {name: _sound(field, file.data.get(field.alias or name)) for name, field in fields}
    return file.problems(chain(within, _faults(**parts)), head)


def _sound(field: FieldInfo, value: object) -> Any:
    """One table validated alone; ``None`` when it is not sound."""
    from pydantic import TypeAdapter  # noqa: PLC0415  (only when something is wrong)

    try:
        return TypeAdapter(field.rebuild_annotation()).validate_python(value)
    except ValidationError:
        return None
