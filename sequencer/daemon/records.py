"""What the daemon writes into the journal, and how a train's end is read from its log."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Protocol

from sequencer.core import events as on
from sequencer.core.state import CircuitState, Question
from sequencer.daemon.messages import PlayOver
from sequencer.errors import InputError
from sequencer.journal.entries import edges_detail
from sequencer.player.job import PlayResult
from sequencer.player.kept import forget_kept, read_kept
from sequencer.train import Stamp

if TYPE_CHECKING:
    from pathlib import Path

    from sequencer.daemon.planning import PlannedTrain

Detail = Mapping[str, Any]
UNSEEN = "the daemon that began it was not there when it ended"


class Writes(Protocol):
    """A journal as far as the daemon writes into it."""

    @property
    def trouble(self) -> str:
        """Why nothing can be written now; empty: all is written."""

    def write(self, kind: str, circuit: str | None, detail: Detail) -> None:
        """One entry; never raises for a disk that is full or failing."""

    def catch_up(self) -> None:
        """Write what was kept back, if that can be done now."""


class Recorder:
    """What happened, to the journal and to the system's log. ``keeps``: where players keep their logs."""

    def __init__(
        self,
        journal: Writes,
        keeps: Mapping[str, Path],
        log: Callable[[str], None],
    ) -> None:
        self._journal = journal
        self._keeps = keeps
        self._log = log
        self._begun: dict[str, int] = {}
        self._warned: dict[str, str] = {}
        self._told = False
        """Whether the journal's trouble of now has been logged."""
        self._troubles: dict[str, str] = {}
        self._noted: dict[str, PlayResult] = {}
        """Logs of players whose news is written, and which may lie there still if they cannot be removed."""
        self._left: set[str] = set()
        """Circuits whose log could not be removed when its news was written."""

    @property
    def trouble(self) -> str:
        """What fails of the journal, the players' logs or the socket, as sentences; empty: nothing."""
        return "; ".join(filter(None, [self._journal.trouble, *self._troubles.values()]))

    def has_trouble(self, of: str, words: str) -> None:
        """Something on the disk fails, or (no words) fails no more. Logged when it begins; trains go on without."""
        if not words:
            self._troubles.pop(of, None)
            return
        if of not in self._troubles:
            self._log(words)
        self._troubles[of] = words

    def write(self, kind: str, circuit: str | None, detail: Detail) -> None:
        """One entry. That it could not be written is said once; trains go on without."""
        self._journal.write(kind, circuit, detail)
        if (trouble := self._journal.trouble) and not self._told:
            self._log(trouble)
        self._told = bool(trouble)

    def catch_up(self) -> None:
        """Write what was kept back, and remove what could not be removed."""
        if self._journal.trouble:
            self._journal.catch_up()
        for circuit in tuple(self._left):
            if not forget_kept(self._keeps[circuit]):
                self._left.discard(circuit)
                self.has_trouble(f"log of {circuit}", "")

    def warn(self, circuit: str | None, text: str) -> None:
        """Something that a person should know, once."""
        self._log(f"{circuit}: {text}" if circuit else text)
        self.write("note", circuit, {"text": text})

    def warn_once(self, circuit: str, text: str) -> None:
        """As :meth:`warn`, but not the same again of the same circuit."""
        if self._warned.get(circuit) != text:
            self._warned[circuit] = text
            self.warn(circuit, text)

    def intent(self, circuit: str, asked: Question | None, found: PlannedTrain) -> None:
        """Before the first edge: what is about to be sent."""
        train = found.train
        self._begun[circuit] = train.relay_cycles
        self._left.discard(circuit)  # its player removes what is left, and its own log must stay
        detail = {
            "scene": asked.scene if asked else None,
            "start": asked.start if asked else None,
            "known": dict(asked.known) if asked else {},
            "pulses": [list(pulse) for pulse in train.pulses],
            "lead_in_s": train.lead_in_s,
        }
        self.write("intent", circuit, detail)

    def held(self, circuit: str, cycles: int) -> None:
        """The contact was opened to hold the lamps dark (1 relay cycle), or let close again (0)."""
        self.write("dark", circuit, {"dark": "begins" if cycles else "ends", "cycles": cycles})

    def train_ended(self, over: PlayOver, asked: Question | None, now: float) -> on.TrainEnded:
        """After the last edge: its log and outcome into the journal; what that is to the core."""
        circuit, result = over.circuit, over.result
        outcome: on.Outcome = "broken off"
        why = UNSEEN
        if isinstance(result, str):
            outcome, why = "failed", result
        log = result if isinstance(result, PlayResult) else self._kept(circuit)
        if isinstance(result, PlayResult):
            outcome, why = judged(result)
        if log is not None:
            self._edges(circuit, log)
        # Where nobody knows how far it came, all of it is counted.
        cycles = self._begun.get(circuit, 0) if log is None else openings(log)
        self._outcome(circuit, asked, "unseen" if result is None else outcome, cycles, why)
        self._forget(circuit, log)
        return on.TrainEnded(now, outcome, cycles, why)

    def leftover(self, circuit: str, begun: int) -> int:
        """A train that ended while no daemon was there: by its log, else all ``begun`` cycles are counted."""
        result = self._kept(circuit)
        if result is None and not begun:
            return 0
        if result is None:
            self.warn(
                circuit, "the last train was cut short, and nobody knows where: all its cycles are counted"
            )
            cycles = begun
        else:
            self._edges(circuit, result)
            cycles = openings(result)
        self._outcome(circuit, None, "unseen", cycles, UNSEEN)
        self._forget(circuit, result)
        return cycles

    def orphan(self, circuit: str, begun: int) -> None:
        """A train of an earlier daemon is still being sent."""
        self._log(f"{circuit}: a train of an earlier start is still being sent; it is waited for")
        self._begun[circuit] = begun

    def _kept(self, circuit: str) -> PlayResult | None:
        try:
            kept = read_kept(self._keeps[circuit])
        except InputError as error:
            self.warn_once(circuit, str(error))
            return None
        return None if kept is None or kept.result == self._noted.get(circuit) else kept.result

    def _forget(self, circuit: str, log: PlayResult | None) -> None:
        """A player's log is written down: remove the player's own, or remember that it is an old one."""
        keep = self._keeps[circuit]
        lost = [] if log is None else [note for note in log.notes if str(keep) in note]
        self._left.discard(circuit)
        if left := forget_kept(keep):
            lost.append(left)
            self._left.add(circuit)
            if log is not None:
                self._noted[circuit] = log
        self.has_trouble(f"log of {circuit}", "; ".join(dict.fromkeys(lost)))

    def _edges(self, circuit: str, result: PlayResult) -> None:
        detail = {
            **edges_detail(result.log),
            "started_unix_s": result.started_unix_s,
            "notes": list(result.notes),
        }
        self.write("edges", circuit, detail)

    def _outcome(self, circuit: str, asked: Question | None, outcome: str, cycles: int, why: str) -> None:
        detail = {
            "scene": asked.scene if asked else None,
            "outcome": outcome,
            "spoiled": outcome == "spoiled",
            "after_cut": outcome != "held",
            "failed": why if outcome == "failed" else "",
            "cycles": cycles,
            "why": why,
        }
        self.write("outcome", circuit, detail)
        self._begun.pop(circuit, None)


def judged(result: PlayResult) -> tuple[on.Outcome, str]:
    """How a train went, as the core wants to know it, and why it was not well.

    Stricter than a judgement by the proof: any edge further from its time than half the least slack spoils
    it. A belief may be too wide, never wrong.
    """
    if result.log.outcome == "failed":
        return "failed", result.log.detail
    if result.beyond:
        return "spoiled", f"edge {result.beyond[0]} came too far from its time"
    if result.log.outcome == "broken off":
        return "broken off", result.log.detail
    return "held", ""


def openings(result: PlayResult) -> int:
    """Relay cycles that were begun; a command that failed may have opened the contact, and is counted."""
    stamps = result.log.stamps
    may_have_opened = result.log.outcome == "failed" and (not stamps or stamps[-1].closed)
    return sum(not stamp.closed for stamp in stamps) + may_have_opened


ContactEvent = on.ContactOpened | on.ContactClosed | on.ContactUnknown


def contact_events(result: PlayResult | str | None, cycles: int, now: float) -> tuple[ContactEvent, ...]:
    """What a train of ``cycles`` openings did to the contact, from the log that its player gave.

    Without such a log nobody knows where the contact stands; one that was kept on a disk may be an older train's.
    A contact that a player sent to rest, or at a command that failed, has moved by ``now``: when, is not known.
    """
    rested_s = result.log.rested_s if isinstance(result, PlayResult) and result.log.rests_closed else None
    if not isinstance(result, PlayResult) or rested_s is None:
        return (on.ContactUnknown(now, "nobody knows where the train left the contact", cycles),)
    log, zero = result.log, result.started_s
    opened = [stamp for stamp in log.stamps if not stamp.closed]
    found: list[ContactEvent] = []
    if cycles:
        first = zero + (opened[-1].commanded_s if opened else 0.0)
        last = now if log.outcome == "failed" else _confirmed(opened[-1], zero, now)
        found.append(on.ContactOpened(now, first, last, cycles))
    if log.outcome != "failed" and log.stamps and log.stamps[-1].closed:
        closing = log.stamps[-1]
        found.append(on.ContactClosed(now, zero + closing.commanded_s, _confirmed(closing, zero, now)))
    else:  # the command that failed may have closed it, sooner than it was sent to rest
        since_s = rested_s if log.outcome != "failed" else log.stamps[-1].commanded_s if log.stamps else 0.0
        found.append(on.ContactClosed(now, min(now, zero + since_s), now))
    return tuple(found)


def _confirmed(stamp: Stamp, zero: float, now: float) -> float:
    """By when the command of an edge had been given, on the daemon's axis."""
    return now if stamp.confirmed_s is None else min(now, zero + stamp.confirmed_s)


def event_entry(event: on.Event) -> tuple[str, dict[str, Any]] | None:
    """The entry for an event, if it has one of its own."""
    entry = ENTRIES.get(type(event))
    return None if entry is None else entry(event)


ENTRIES: Mapping[type, Callable[[Any], tuple[str, dict[str, Any]]]] = {
    on.Started: lambda e: ("start", {"playing": e.playing}),
    on.SwitchOn: lambda _: ("input", {"input": "switch", "is": "on"}),
    on.SwitchOff: lambda _: ("input", {"input": "switch", "is": "off"}),
    on.Flicked: lambda _: ("input", {"input": "switch", "is": "flicked"}),
    on.ButtonShort: lambda _: ("input", {"input": "button", "is": "short"}),
    on.ButtonLong: lambda _: ("input", {"input": "button", "is": "long"}),
    on.Occupied: lambda e: ("input", {"input": "occupied", "is": "yes" if e.yes else "no"}),
    on.SupplyLost: lambda _: ("supply", {"supply": "lost"}),
    on.SupplyBack: lambda _: ("supply", {"supply": "back"}),
    on.ShowBegins: lambda e: ("show", {"show": "begins", "scene": e.scene, "slot": e.slot}),
    on.ShowEnds: lambda _: ("show", {"show": "ends"}),
    on.Told: lambda e: ("told", {"lamp": e.lamp, "code": e.code}),
    on.Replaced: lambda e: ("replaced", {"lamp": e.lamp}),
    on.ClockTrusted: lambda _: ("clock", {"clock": "trusted"}),
}
"""What is written of each kind of event; the others are written otherwise, or say nothing."""


def wish_entries(before: CircuitState, after: CircuitState) -> Iterator[tuple[str, dict[str, Any]]]:
    """What a person wants from now on, where that has changed."""
    was, wants = ((s.hand, s.request, s.steady) for s in (before, after))
    if was == wants:
        return
    fresh = (before.steady and not after.steady) or not any(wants)
    if fresh:
        yield "wish", {"wish": "taken back"}
    if after.steady and not before.steady:
        yield "wish", {"wish": "steady"}
    if after.request is not None and (fresh or after.request != before.request):
        yield "wish", {"wish": "asked", "scene": after.request.scene}
    if after.hand is not None and (fresh or after.hand != before.hand):
        yield "wish", {"wish": "hand", "scene": after.hand.scene}
