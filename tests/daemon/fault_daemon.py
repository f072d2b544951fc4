"""The one place where the fault model touches the daemon's own shapes: ports, messages, status, the player's log.

Whoever changes those changes this module, and nothing else of the model.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from sequencer.core import events as on
from sequencer.core.reading import unread
from sequencer.core.state import CircuitState
from sequencer.daemon.contacts import RelayContacts
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Happened, Level, Message, PlayOver
from sequencer.daemon.orders import rules_for, standing_of
from sequencer.daemon.planning import PlannedTrain
from sequencer.daemon.records import Recorder
from sequencer.daemon.serve import first_state
from sequencer.journal.journal import Journal, open_journal
from sequencer.player.job import Job, PlayResult
from sequencer.player.kept import KeptLog, write_kept
from sequencer.player.loop import edges_beyond, play_edges
from tests.daemon.fault_fleets import CIRCUIT

if TYPE_CHECKING:
    from sequencer.clock import Clock
    from sequencer.relay import Relay
    from tests.daemon.fault_world import World

UNCONFIRMED = "not confirmed"
"""What a status says, in its headline or a reason, that makes no claim of where the contact stands."""


class Claims(NamedTuple):
    """What the daemon says now: a lamp's code and who says so, and whether the contact is closed (None: it does not
    say)."""

    codes: dict[str, tuple[int, str]]
    lit: bool | None
    matched: bool
    refused: bool


def claims(daemon: Daemon) -> Claims:
    """From ``status``, as anybody may ask for it."""
    (told,) = daemon.statuses()
    codes = {lamp.lamp: (lamp.code, lamp.by) for lamp in told.lamps if lamp.code is not None}
    lit: bool | None = None
    if UNCONFIRMED not in " ".join((told.headline, *told.reasons)):
        lit = (
            {"closed": True, "open": False}.get(told.contact)
            if told.phase not in {"sending", "ending"}
            else None
        )
    refused = told.scene in daemon.states[CIRCUIT].refused
    return Claims(codes, lit, told.matched, refused)


def opened_journal(world: World) -> Journal:
    """The real one, in a folder in memory."""
    return open_journal(
        world.folder / "journal.sqlite3",
        now_unix=world.unix,
        now=world.clock.now,
        boot=f"boot {world.boots}",
        limit_mb=16,
        zone=ZoneInfo("America/New_York"),
    )


def made(world: World, journal: Journal) -> Daemon:
    """A daemon as ``serve`` puts it together, on the world's ports."""
    pad, now = world.fleet.pad, world.clock.now()
    circuit, standing = pad.circuit(CIRCUIT), standing_of(pad)
    rules = rules_for(pad, circuit)
    old = journal.carried().get(CIRCUIT)
    state = CircuitState(rules, "evening") if old is None else first_state(rules, old, now)
    ports = Ports(
        now=world.clock.now,
        next_message=world.next_message,
        recorder=Recorder(world, {CIRCUIT: world.keep}, lambda _: None),
        trains=world.trains(),
        contacts=RelayContacts({CIRCUIT: circuit.relay.model_dump()}, world.opener("daemon")),
        indicate=lambda _, __: None,
        word=world,
        answer=lambda _, __: {},
    )
    readings = {(CIRCUIT, line): unread(line, standing.serve) for line in world.levels}
    begun = {CIRCUIT: old.open_cycles} if old is not None and old.open_intent else {}
    return Daemon({CIRCUIT: state._replace(at=now)}, readings, ports, begun)


def played(world: World, train: PlannedTrain, relay: Callable[[], Relay], clock: Clock) -> PlayResult:
    """What the player's process does: its real loop, and its judgement of the edges."""
    plan, zeros = train.train, [clock.now()]
    with relay() as opened:
        log = play_edges(
            plan.edges(),
            world.fleet.pad.circuit(CIRCUIT).relay.delays,
            opened,
            clock,
            until_s=plan.lead_in_s + plan.total_s,
            tolerance_s=train.tolerance_s,
            on_start=zeros.append,
        )
    return PlayResult(log, zeros[-1], world.unix(), edges_beyond(log, train.tolerance_s))


def kept(world: World, train: PlannedTrain, result: PlayResult) -> None:
    """The player's log on the disk."""
    relay = world.fleet.pad.circuit(CIRCUIT).relay
    write_kept(
        world.keep, KeptLog(Job(train.train, relay.delays, relay.model_dump(), train.tolerance_s), result)
    )


def stream(message: Message) -> str:
    """Whose messages come in order: of a line, of the planner, of the player, of a person."""
    return f"Level {message.line}" if isinstance(message, Level) else type(message).__name__


def hides(message: Message) -> bool:
    """Whether the daemon cannot know of something that befell the lamps before it has this message."""
    if isinstance(message, Happened):
        return isinstance(message.event, on.Replaced)
    return isinstance(message, Level) and message.line == "sense"


def is_over(message: Message) -> bool:
    """Whether a circuit waits for ever where this one is lost."""
    return isinstance(message, PlayOver) or type(message).__name__ == "PlanOver"
