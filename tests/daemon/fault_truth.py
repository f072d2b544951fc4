"""What really happened: the coil, the contact's openings and closings, and lamps of several natures behind it.

Nothing here asks the daemon; what the daemon says is held against it.
"""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from sequencer.clock import VirtualClock
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import Manner, SimContact
from tests.daemon.fault_fleets import CIRCUIT, Fleet

MANNERS: tuple[Manner, ...] = ("extreme", "long breaks", "short breaks", "drawn")
"""One pad each: the same commands, other contacts and other lamps."""


class Move(NamedTuple):
    """The contact was commanded otherwise than it stood, and obeyed. ``clean``: no fault has touched the train."""

    at: float
    closed: bool
    who: str
    clean: bool


class Truth:
    """One coil, and behind it as many pads as there are manners."""

    def __init__(self, fleet: Fleet, clock: VirtualClock, rng: Random) -> None:
        self.fleet, self._clock, self._rng = fleet, clock, rng
        self.moves: list[Move] = []
        self.closed = True
        self.since = clock.now()
        """When the contact came to stand as it does."""
        self.down_until = -1.0
        """Until then no relay can be reached."""
        circuit = fleet.pad.circuit(CIRCUIT)
        self.stems = {lamp.name: lamp.stem for lamp in circuit.lamps}
        self.pads: list[SimPad] = []
        for manner in MANNERS:
            contact = SimContact(clock, circuit.relay.delays, True, rng, manner=manner)
            lamps = {name: self._lamp(name, new=False) for name in self.stems}
            self.pads.append(SimPad(clock, contact, lamps))

    def _lamp(self, name: str, *, new: bool) -> SimLamp:
        sheet = self.fleet.pad.datasheets[self.stems[name]]
        nature = self._rng.choice([Nature.steady, Nature.corner, Nature.contrary, Nature.corner])(self._rng)
        scene = self._rng.choice([each.code for each in sheet.scenes])
        at = self._clock.now()
        return (
            SimLamp(sheet, nature, scene=scene, at=at, dark_for=float("inf"))
            if new
            else SimLamp(sheet, nature, scene=scene, at=at)
        )

    # -- the contact ---------------------------------------------------------------------------

    def move(self, closed: bool, who: str, *, clean: bool) -> None:
        """The coil is commanded; what it is already changes nothing."""
        if closed == self.closed:
            return
        self.closed, self.since = closed, self._clock.now()
        self.moves.append(Move(self.since, closed, who, clean))
        for pad in self.pads:
            pad.contact.set(closed)

    def stood_for_s(self) -> float:
        """How long the coil has been as it is."""
        return self._clock.now() - self.since

    # -- the lamps -----------------------------------------------------------------------------

    def pump(self) -> None:
        """Bring the lamps up to now."""
        for pad in self.pads:
            pad._pump()

    def stand(self) -> None:
        """A train begins after its lead-in, or from rest: step lamps are at rest, if they had the supply for it."""
        self.pump()
        if self.stood_for_s() >= max(self.fleet.pad.datasheets[s].warm_up[0] for s in self.stems.values()):
            for pad in self.pads:
                pad._stand()

    def codes(self, lamp: str) -> tuple[int, ...]:
        """What a lamp is on, on each pad: shown or, where it is dark, remembered."""
        self.pump()
        return tuple(pad.lamps[lamp].remembered(self._clock.now()) for pad in self.pads)

    def seen(self, lamp: str) -> int | None:
        """What a person sees of a lamp: from then on only pads on which it is so are told of."""
        self.pump()
        code = self.pads[0].lamps[lamp].showing(self._clock.now())
        if code is not None:
            for pad in self.pads:
                pad.lamps[lamp].remembered(self._clock.now())  # has started by now, whatever it was on then
                pad.lamps[lamp]._scene = code
        return code

    def outage(self, at: float, for_s: float) -> None:
        """The mains behind the contact are gone for a while."""
        for pad in self.pads:
            pad.blip(at, for_s)

    def swap(self, name: str) -> None:
        """Another lamp of the type, out of its box."""
        for pad in self.pads:
            pad.swap(name, self._lamp(name, new=True))
