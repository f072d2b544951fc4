"""What a site file says to the daemon: how it keeps the lamps matched, and what is wired to the board.

These tables, and :mod:`~sequencer.sitefile.calendar`'s, are read only by the commands that need them: making
a model takes time, and ``plan`` is to start quickly on a slow board.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import time
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import Field, PlainValidator, Strict, model_validator

from sequencer.sitefile.tables import PinName
from sequencer.tomlfile import Faults, MisfitError, Name, Number, Table, told


class Span(NamedTuple):
    """Some hours of every day, local time; over midnight when ``end`` is not after ``start``."""

    start: time
    end: time


def _span(value: object) -> Span:
    found = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", str(value))
    if not isinstance(value, str) or not found or found.group(1, 2) == found.group(3, 4):
        raise MisfitError(((), f'must be hours of the day such as "15:00-17:30", not {told(value)}'))
    return Span(time(int(found[1]), int(found[2])), time(int(found[3]), int(found[4])))


Hours = Annotated[Span, PlainValidator(_span)]


class Line(Table):
    """One wire between the board and the pad.

    A simulated one is moved with ``lampstep touch``. ``active_high`` False: closed to ground, and pulled up
    inside the board while open.
    """

    driver: Literal["gpio", "simulated"] = "gpio"
    pin: PinName | None = None
    active_high: bool = False

    @model_validator(mode="after")
    def _has_pin(self) -> Self:
        if faults := list(self.lacking(self.given)):
            raise MisfitError(*faults)
        return self

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:
        """A pin, unless nothing is real."""
        if given.get("driver", "gpio") == "gpio" and "pin" not in given:
            yield ("pin",), 'pin is missing: name it, or write driver = "simulated"'


class Inputs(Table):
    """What the board senses of one circuit, all optional.

    ``switch``: the owner's plain switch, active while on. ``button``: active while pressed. ``sense``: active
    while the supply that feeds the contact is there. ``occupied``: active while people may be in the water.
    """

    switch: Line | None = None
    button: Line | None = None
    sense: Line | None = None
    occupied: Line | None = None


class Outputs(Table):
    """What the board shows of one circuit. ``indicator``: steady matched, slow busy, fast failed."""

    indicator: Line | None = None


class Serve(Table):
    """How the daemon keeps the lamps matched; every key has its default."""

    favourites: Annotated[tuple[Name, ...], Strict(False)] = ()
    """Scenes of the site that a flick or a long press goes through, in this order; none: all of them."""
    between_shows: Literal["lit", "dark"] = "lit"
    """With the switch on, nothing due and nothing asked for: the remembered scene, or dark."""
    flick_s: Annotated[Number, Field(gt=0, le=10)] = 2.0
    """Off and on again within this is a flick: the next favourite scene."""
    long_press_s: Annotated[Number, Field(ge=0.3, le=10)] = 1.5
    """A button held this long is a long press."""
    stuck_s: Annotated[Number, Field(ge=10, le=3600)] = 60.0
    """A button held this long is stuck, and ignored until it lets go."""
    steady_s: Annotated[Number, Field(ge=1, le=3600)] = 20.0
    """The supply must have been there this long before a train; doubled with every further outage in an hour."""
    max_cycles_per_h: Annotated[int, Field(ge=1, le=10_000)] = 120
    """Most relay cycles of a circuit in any hour."""
    resync_every_h: Annotated[Number, Field(gt=0, le=10_000)] | None = 24.0
    """A full train at least this often while lit, for outages too short to be sensed; see ``rephase_per_h``."""
    visibly_apart: Annotated[Number, Field(gt=0, le=1)] = 0.1
    """Moving scenes are out of step to the eye when lamps differ by this part of the scene's period."""
    rephase_per_h: Annotated[Number, Field(ge=0, le=60)] = 1.0
    """Most re-sendings of a moving scene in an hour, to bring its lamps into step again; 0: none."""
    wish_h: Annotated[Number, Field(gt=0, le=168)] = 12.0
    """What a person chose stands this long, or until the switch goes off."""
    trust_clock_after_s: Annotated[Number, Field(ge=0)] | None = None
    """Without word from the time service, trust the board's clock this long after the start; none: never."""
    quiet: Annotated[tuple[Hours, ...], Strict(False)] = ()
    """Hours of every day, local time, in which no train is sent because people may be swimming."""
    journal_mb: Annotated[Number, Field(ge=1, le=10_000)] = 16.0
    """Largest size of the journal."""
