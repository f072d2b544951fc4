"""What can happen to a circuit, as plain values: the core's input.

``at`` is seconds on the daemon's own axis: it never jumps, whatever the wall clock does, and only differences
mean anything.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Outcome = Literal["held", "spoiled", "broken off", "failed", "not begun"]


class Started(NamedTuple):
    """The daemon has started. ``playing``: a player of an earlier one is still sending."""

    at: float
    playing: bool = False


class SwitchOn(NamedTuple):
    """The owner's switch went on, after longer than a flick."""

    at: float


class SwitchOff(NamedTuple):
    """The owner's switch went off."""

    at: float


class Flicked(NamedTuple):
    """The switch is on again so soon after it went off that the next favourite is meant."""

    at: float


class ButtonShort(NamedTuple):
    """The button was pressed and let go: re-sync."""

    at: float


class ButtonLong(NamedTuple):
    """The button has been held: the next favourite."""

    at: float


class InputIgnored(NamedTuple):
    """An input is stuck or chatters and is not listened to until it behaves; said once."""

    at: float
    why: str


class ShowBegins(NamedTuple):
    """The calendar has a scene due from now on; of two in a row the later one replaces the earlier."""

    at: float
    scene: str
    slot: str


class ShowEnds(NamedTuple):
    """The calendar has nothing due any more."""

    at: float


class Asked(NamedTuple):
    """A person asked the daemon for a scene."""

    at: float
    scene: str


class TakenBack(NamedTuple):
    """A person takes back what was asked for and chosen, and the steady override."""

    at: float


class ResyncAsked(NamedTuple):
    """A person asked for a full train."""

    at: float


class Steady(NamedTuple):
    """A person wants plain light and no trains, whatever the calendar says, until taken back."""

    at: float


class Told(NamedTuple):
    """A person sees what a lamp shows: its lamp scene's code."""

    at: float
    lamp: str
    code: int


class Replaced(NamedTuple):
    """Another lamp hangs in this one's place: nothing is known of it."""

    at: float
    lamp: str


class SupplyLost(NamedTuple):
    """The supply that feeds the contact is gone."""

    at: float


class SupplyBack(NamedTuple):
    """The supply that feeds the contact is back."""

    at: float


class Occupied(NamedTuple):
    """People may be in the water, or no longer."""

    at: float
    yes: bool


class Quiet(NamedTuple):
    """The quiet hours have begun, or ended."""

    at: float
    yes: bool


class ClockTrusted(NamedTuple):
    """The wall clock is right from now on, so that the calendar means something."""

    at: float


class Planned(NamedTuple):
    """The planner has a train for the question that was asked of it; ``question`` is its number."""

    at: float
    question: int
    cycles: int
    length_s: float
    dark_s: float


class Refused(NamedTuple):
    """The planner has none, and says why."""

    at: float
    question: int
    why: str


class PlanFailed(NamedTuple):
    """The planner could not be run, or did not answer: it is asked again later."""

    at: float
    question: int
    why: str


class TrainBegins(NamedTuple):
    """A player gets the contact and the train that was planned."""

    at: float


class TrainEnded(NamedTuple):
    """The player is done; what it did to the contact has been told before, by events of the contact.

    ``outcome``: "held", every edge near enough to its time for the proof to hold; "spoiled", not so; "broken
    off", as it was told to; "failed", the relay could not do it; "not begun", nothing was sent. ``cycles``:
    openings of the contact that were commanded. ``why``: what failed.
    """

    at: float
    outcome: Outcome
    cycles: int
    why: str = ""


class ContactOpened(NamedTuple):
    """The contact was commanded open, not before one moment, and had been, not after another.

    ``cycles``: how often it has opened since the last event of the contact; the bounds are the last one's.
    """

    at: float
    not_before: float
    not_after: float
    cycles: int = 1


class ContactClosed(NamedTuple):
    """The contact was commanded closed, not before one moment, and had been, not after another."""

    at: float
    not_before: float
    not_after: float


class ContactUnknown(NamedTuple):
    """The contact could not be moved, or nobody can say what its last owner did.

    ``cycles``: how often it may have opened since the last event of the contact.
    """

    at: float
    why: str
    cycles: int = 0


class ContactRead(NamedTuple):
    """The position of a contact that the daemon holds open, read back; None: it could not be read."""

    at: float
    closed: bool | None
    why: str = ""


class Tick(NamedTuple):
    """Some time has passed."""

    at: float


Event = (
    Started
    | SwitchOn
    | SwitchOff
    | Flicked
    | ButtonShort
    | ButtonLong
    | InputIgnored
    | ShowBegins
    | ShowEnds
    | Asked
    | TakenBack
    | ResyncAsked
    | Steady
    | Told
    | Replaced
    | SupplyLost
    | SupplyBack
    | Occupied
    | Quiet
    | ClockTrusted
    | Planned
    | Refused
    | PlanFailed
    | TrainBegins
    | TrainEnded
    | ContactOpened
    | ContactClosed
    | ContactUnknown
    | ContactRead
    | Tick
)
