"""A circuit of simulated lamps behind one simulated contact, in virtual time, with faults.

Supply reaches the lamps while the contact is closed and the mains are there. Faults are laid down
before their time comes (``blip``, ``cut``, ``thumb``) or done on the spot (``swap``, ``weaken``).
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from sequencer.sim.lamp import SimLamp, hold_up_s
from sequencer.train import EdgeLog, Stamp, Train

if TYPE_CHECKING:
    from collections.abc import Mapping
    from random import Random

    from sequencer.clock import Clock
    from sequencer.sim.feed import FeedInTime
    from sequencer.sim.relay import SimContact

NO_FAULTS: Mapping[int, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Showing:
    """What one lamp shows: the code of its scene (None: dark) and the pulses it has pending."""

    code: int | None
    pending: int


@dataclass(frozen=True, slots=True)
class Timeline:
    """What happened on the pad between two moments, for drawing; seconds from the first.

    ``supply`` holds the intervals with supply at the lamps, ``scenes`` for each lamp the moments at
    which what it shows changed, the first at 0.
    """

    length_s: float
    supply: tuple[tuple[float, float], ...]
    scenes: Mapping[str, tuple[tuple[float, int | None], ...]]


@dataclass(frozen=True, slots=True)
class Played:
    """A train as it went: what every lamp shows at its end, the commands, and the timeline."""

    showing: Mapping[str, Showing]
    log: EdgeLog
    timeline: Timeline


class SimPad:
    """Lamps by name on the contact of one circuit.

    With ``mains=False`` there is no supply until :meth:`restore`. With a ``feed`` each lamp rides through a break on
    what its capacitor then holds, and misbehaves for want of volts; else it does as its nature is. The pad's time
    is ``clock``'s; whoever else holds the clock or the contact may move them too.
    """

    def __init__(
        self,
        clock: Clock,
        contact: SimContact,
        lamps: Mapping[str, SimLamp],
        *,
        mains: bool = True,
        feed: FeedInTime | None = None,
    ) -> None:
        self.contact = contact
        self.lamps = dict(lamps)
        self._clock = clock
        self._feed = feed
        self._seen_edges = 0
        self._closed = contact.stands_closed()
        self._outages = 0 if mains else 1
        self._supplied = self._closed and mains
        self._events: list[tuple[float, int, Literal["contact", "mains"], int]] = []
        self._laid = 0  # keeps events of one moment in the order in which they were laid down
        self._pumped = clock.now()
        self._supply_edges = [(self._pumped, self._supplied)]
        for lamp in self.lamps.values():
            lamp.supply(self._supplied, self._pumped)

    # -- time ----------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time go by."""
        self._clock.sleep_until(self._clock.now() + seconds)
        self._pump()

    def showing(self) -> dict[str, Showing]:
        """What every lamp shows now."""
        self._pump()
        now = self._clock.now()
        return {name: Showing(lamp.showing(now), lamp.pending(now)) for name, lamp in self.lamps.items()}

    def timeline(self, start: float, end: float | None = None) -> Timeline:
        """The pad from ``start`` to ``end`` (now), both on the clock."""
        self._pump()
        now = self._clock.now()
        end = now if end is None else end
        edges = [*self._supply_edges, (end, False)]
        supply = tuple(
            (max(on_at, start) - start, min(off_at, end) - start)
            for (on_at, on), (off_at, _) in pairwise(edges)
            if on and off_at > start and on_at < end
        )
        scenes = {}
        for name, lamp in self.lamps.items():
            history = lamp.history(now)
            before = [code for at, code in history if at <= start]
            changes = [(at - start, code) for at, code in history if start < at <= end]
            scenes[name] = ((0.0, before[-1]), *changes) if before else tuple(changes)
        return Timeline(end - start, supply, scenes)

    def play(
        self,
        train: Train,
        *,
        at: float | None = None,
        late_commands: Mapping[int, float] = NO_FAULTS,
        slow_edges: Mapping[int, float] = NO_FAULTS,
    ) -> Played:
        """Drive the contact as the player does and wait until the train has ended.

        The train starts (with its lead-in) at ``at`` on the clock, or as soon as the first command can be
        given in time. ``late_commands`` makes the command of an edge (counted from 0 over
        ``train.edges()``) come that many seconds late, or early if negative, and the log shows it;
        ``slow_edges`` makes the relay itself slower than its delays allow, which no log shows.
        """
        delays = self.contact.delays
        soonest = self._clock.now() + max(delays.mean_make_s, delays.mean_break_s)
        start = soonest - min([0.0, *late_commands.values()]) if at is None else at
        self.contact.set(True)
        stamps = []
        for number, edge in enumerate(train.edges()):
            mean = delays.mean_make_s if edge.closed else delays.mean_break_s
            due = edge.due_s - mean
            self._clock.sleep_until(start + due + late_commands.get(number, 0.0))
            self._pump()
            if number == 0:
                self._stand()
            if number in slow_edges:
                self.contact.stick(slow_edges[number])
            stamps.append(Stamp(edge.due_s, due, self._clock.now() - start, edge.closed))
            self.contact.set(edge.closed)
        self._clock.sleep_until(start + train.lead_in_s + train.total_s)
        return Played(
            self.showing(),
            EdgeLog(tuple(stamps), "finished", rests_closed=self.contact.rests_closed),
            self.timeline(start),
        )

    # -- faults --------------------------------------------------------------------------------

    def cut(self, at: float) -> None:
        """The mains go at ``at`` on the clock, whatever the contact does, until as many restores."""
        self._lay(at, "mains", +1)

    def restore(self, at: float) -> None:
        """The mains come back at ``at``."""
        self._lay(at, "mains", -1)

    def blip(self, at: float, length: float) -> None:
        """The mains are gone for ``length`` seconds from ``at`` on."""
        self.cut(at)
        self.restore(at + length)

    def thumb(self, at: float, flicks: int, rng: Random) -> float:
        """A nervous thumb on the switch: so many flicks off and on, at a hand's pace; when it lets go."""
        for _ in range(flicks):
            off_s = rng.uniform(0.08, 0.9)
            self.blip(at, off_s)
            at += off_s + rng.uniform(0.1, 1.2)
        return at

    def swap(self, name: str, lamp: SimLamp) -> None:
        """Another lamp is wired in its place now. Make it ``dark_for=inf``: it comes from a box."""
        self._pump()
        lamp.supply(self._supplied, self._clock.now())
        self.lamps[name] = lamp

    def weaken(self, name: str, volts: float) -> None:
        """From now on the lamp gets ``volts`` RMS, and rides through only what its capacitor then holds.

        ValueError when its datasheet gives no ``[hold_up]`` and ``[electrical]`` to reckon with.
        """
        lamp = self.lamps[name]
        physics, electrical = lamp.datasheet.hold_up, lamp.datasheet.electrical
        if physics is None or electrical is None:
            raise ValueError(f"{name}: its datasheet has no [hold_up] and [electrical] to weaken it by")
        peak = 2**0.5 * volts
        lamp.ride_through_s = hold_up_s(physics.capacitance_f, peak, physics.dropout_v, electrical.watts)

    def starve(self, name: str, volts: float, softness: float) -> None:
        """As :meth:`weaken`, for any volts: below its least volts the lamp misses pulses, or gives no light at all.

        ``softness`` is the part of its least volts at the lack of which it takes no pulse. Dark: no more volts than
        ``dropout_v`` behind the rectifier's two diodes (1.4 V), or 0.7 of the least where there is no ``[hold_up]``
        (both common practice, no source).
        ValueError when its datasheet gives no ``[electrical]``.
        """
        lamp = self.lamps[name]
        physics, electrical = lamp.datasheet.hold_up, lamp.datasheet.electrical
        if electrical is None:
            raise ValueError(f"{name}: its datasheet has no [electrical] to starve it by")
        least = electrical.volts[0]
        lamp.misses = min(max((least - volts) / (softness * least), 0.0), 1.0)
        lamp.dead = volts < 0.7 * least
        if physics is not None:
            lamp.dead = 2**0.5 * volts - 1.4 <= physics.dropout_v
            if volts < least:
                self.weaken(name, volts)

    # -- supply --------------------------------------------------------------------------------

    def _lay(self, at: float, kind: Literal["contact", "mains"], change: int) -> None:
        if at < self._pumped:
            raise ValueError(f"{at} s is in the past of the pad, which has come to {self._pumped} s")
        self._laid += 1
        heapq.heappush(self._events, (at, self._laid, kind, change))

    def _pump(self) -> None:
        """Bring contact and mains edges to the lamps, in order, up to now."""
        for at, closed in self.contact.edges_from(self._seen_edges):
            self._lay(at, "contact", int(closed))
            self._seen_edges += 1
        now = self._clock.now()
        while self._events and self._events[0][0] <= now:
            at, _, kind, change = heapq.heappop(self._events)
            if kind == "contact":
                self._closed = bool(change)
            else:
                self._outages += change
            self._switch(self._closed and self._outages <= 0, at)
        self._pumped = now

    def _switch(self, supplied: bool, at: float) -> None:
        if supplied == self._supplied:
            return
        self._supplied = supplied
        self._supply_edges.append((at, supplied))
        if self._feed is not None:
            self._tell(self._feed, supplied, at)
        for lamp in self.lamps.values():
            lamp.supply(supplied, at)

    def _tell(self, feed: FeedInTime, supplied: bool, at: float) -> None:
        """What the volts make of this edge."""
        if supplied:
            for name, wait_s in feed.closes(at).items():
                self.lamps[name].wait_s = wait_s
            return
        told = feed.opens(at, {name: lamp.watts(at) for name, lamp in self.lamps.items()})
        for name, (held_s, unsure) in told.items():
            self.lamps[name].held_s, self.lamps[name].unsure = held_s, unsure

    def _stand(self) -> None:
        """A train is about to begin: from rest or after its lead-in, either way step lamps are at rest."""
        for lamp in self.lamps.values():
            lamp.stand(self._clock.now())
