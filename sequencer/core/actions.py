"""What the core asks of the shell, as plain values: the core's output."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple


class PlanTrain(NamedTuple):
    """Find the train for a scene; answer with ``Planned`` or ``Refused`` under this number.

    ``known``: for some lamps the code of the scene each certainly rests on. ``start`` "cut": the lamps may be
    in the middle of something, and the train gets its lead-in. ``codes``: what each lamp must end on, for that
    is what will be believed of it.
    """

    question: int
    scene: str
    start: Literal["rest", "cut"]
    known: Mapping[str, int]
    why: str
    codes: Mapping[str, int]


class SendTrain(NamedTuple):
    """Send the train that was planned under this number; answer with ``TrainEnded``."""

    question: int


class BreakOff(NamedTuple):
    """End the running train; ``TrainEnded`` follows.

    ``at_once``: light now, whatever the lamps make of it. Otherwise at the next edge after which they are lit.
    """

    at_once: bool


class HoldOpen(NamedTuple):
    """Open the contact and hold it: dark."""


class LetClose(NamedTuple):
    """Let the contact go to its rest: lit."""


class Warn(NamedTuple):
    """Say something to whoever reads the journal or the system's log, once."""

    text: str


Action = PlanTrain | SendTrain | BreakOff | HoldOpen | LetClose | Warn
