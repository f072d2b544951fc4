"""What the lamps really saw: a coil's edges played to simulated lamps, and every claim of a status held against them.

The edges are fed, in virtual time, to sets of simulated lamps of many natures, whatever they showed at first. A claim
is wrong if at no moment between asking and answering it was so; all claims of one status of the lamps must have been
so at one and the same moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from sequencer.clock import VirtualClock
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import Showing, SimPad
from sequencer.sim.relay import SimContact
from sequencer.sitefile import load_site
from tests.daemon.real import CIRCUIT
from tests.daemon.real_pad import Edge, Sample

LANDS_S = 0.008
"""From a change of the coil to the contact's: its greatest delay, 6 ms, and some for what the stamps take."""
AT_REST = {"lit", "waiting", "planning"}
LIT = ("lit", "every lamp on", "plain light")


class Wrong(NamedTuple):
    """A claim that was not so at any moment between two."""

    asked_at: float
    answered_at: float
    words: str


def claimed_codes(said: Mapping[str, Any], wanted: Mapping[str, Mapping[str, int]]) -> dict[str, int]:
    """What a status says of lamps: the codes that it names, and those of its scene where it says that all match."""
    codes = {lamp["lamp"]: lamp["code"] for lamp in said["lamps"] if lamp["code"] is not None}
    return {**codes, **wanted[said["scene"]]} if said["matched"] else codes


def contact_claims(said: Mapping[str, Any]) -> dict[str, bool]:
    """What a status says of the contact: in which words, and whether it must then be closed."""
    claims: dict[str, bool] = {}
    stands = said.get("contact", "closed")
    if stands in {"closed", "open"}:
        if "contact" in said:
            claims[f"contact {stands}"] = stands == "closed"
        if said["phase"] in AT_REST:
            claims[f"phase {said['phase']}"] = True
        if said["phase"] == "dark":
            claims["phase dark"] = False
    if said["headline"].startswith(LIT):
        claims[said["headline"]] = True
    if said["headline"] == "dark":
        claims["headline dark"] = False
    if said["indication"] in {"steady", "dark"}:
        claims[f"indication {said['indication']}"] = said["indication"] == "steady"
    return claims


def closed_between(edges: Sequence[Edge], first: float, last: float) -> set[bool]:
    """Where the contact may have stood at some moment of an interval."""
    stands = {True}
    for edge in edges:
        if edge.last + LANDS_S < first:
            stands = {not edge.on}
        elif edge.first <= last:
            stands.add(not edge.on)
    return stands


def wrong_of_the_contact(edges: Sequence[Edge], samples: Sequence[Sample]) -> Iterator[Wrong]:
    """Claims about the contact."""
    for sample in samples:
        might = closed_between(edges, sample.asked_at, sample.answered_at)
        for words, closed in contact_claims(sample.said).items():
            if closed not in might:
                yield Wrong(sample.asked_at, sample.answered_at, f"{words}: the contact stood {might}")


class Lamps:
    """One set of lamps behind the contact, drawn from a seed."""

    def __init__(self, site: Path, seed: int, begin: float) -> None:
        rng = Random(seed)
        pad = load_site(site)
        circuit = pad.circuit(CIRCUIT)
        sheets = {lamp.name: pad.datasheets[lamp.stem] for lamp in circuit.lamps}
        self._clock = VirtualClock(begin)
        manner = rng.choice(("drawn", "extreme"))
        self._contact = SimContact(self._clock, circuit.relay.own_delays, True, rng, manner=manner)
        draw = rng.choice((Nature.steady, Nature.corner, Nature.corner, Nature.contrary))
        lamps = {
            name: SimLamp(sheet, draw(rng), scene=rng.choice(sheet.scenes).code, at=begin)
            for name, sheet in sheets.items()
        }
        self._pad = SimPad(self._clock, self._contact, lamps)
        self._rests_s = max(sheet.warm_up[0] / (1 - sheet.lamp.clock_tolerance) for sheet in sheets.values())
        self._lit_at = begin

    def until(self, at: float) -> None:
        """Time goes by."""
        self._pad.wait(max(0.0, at - self._clock.now()))

    def edge(self, on: bool) -> None:
        """The coil changes. Step lamps that have had supply for long enough are at rest."""
        if on and self._clock.now() - self._lit_at > self._rests_s:
            self._pad._stand()
        self._contact.set(not on)
        if not on:
            self._lit_at = self._clock.now()

    def rest_on(self, codes: Mapping[str, int]) -> bool:
        """Whether each of these lamps shows its scene now, with nothing pending."""
        showing = self._pad.showing()
        return all(showing[name] == Showing(code, 0) for name, code in codes.items())

    def words(self) -> str:
        """What they show."""
        return str({name: (each.code, each.pending) for name, each in self._pad.showing().items()})


class _Open:
    """A sample between its asking and its answering."""

    def __init__(self, sample: Sample, codes: Mapping[str, int], so: bool) -> None:
        self.sample, self.codes, self.so = sample, codes, so


def wrong_of_the_lamps(
    site: Path,
    edges: Sequence[Edge],
    samples: Sequence[Sample],
    wanted: Mapping[str, Mapping[str, int]],
    seed: int,
) -> Iterator[Wrong]:
    """Claims about one set of lamps.

    What a set shows changes at an edge and, with something pending, between two; so it is looked at before each
    edge, after it, and when a sample begins and ends: nothing that lasts until one of them is missed.
    """
    claims = [(sample, codes) for sample in samples if (codes := claimed_codes(sample.said, wanted))]
    moments: list[tuple[float, int, Any]] = []
    for number, (sample, _) in enumerate(claims):
        moments += [(sample.asked_at, 1, number), (sample.answered_at + LANDS_S, 3, number)]
    for edge in edges:
        moments += [(edge.first, 2, edge), (edge.last + LANDS_S, 0, edge)]
    if not moments:
        return
    moments.sort(key=lambda moment: moment[:2])
    lamps = Lamps(site, seed, moments[0][0] - 60.0)
    asked: dict[int, _Open] = {}
    proved: Mapping[str, int] = {}
    """What was so with the contact closed: it stays so until the next edge, since nothing is pending."""
    closed = True
    for at, kind, what in moments:
        if kind == 1 and claims[what][1] == proved:
            asked[what] = _Open(*claims[what], so=True)
            continue
        lamps.until(at)
        if kind == 1:
            asked[what] = _Open(*claims[what], so=False)
        for each in asked.values():
            if not each.so and lamps.rest_on(each.codes):
                each.so, proved = True, each.codes if closed else {}
        if kind == 2:
            lamps.edge(what.on)
            closed, proved = False, {}
        if kind == 0:
            closed = not what.on
        if kind == 3 and not (done := asked.pop(what)).so:
            yield Wrong(*done.sample[:2], f"claimed {done.codes}, set {seed} shows {lamps.words()}")


def hasty_trains(
    edges: Sequence[Edge], intents: Sequence[tuple[float, dict[str, Any]]], needs_s: float
) -> list[Wrong]:
    """Trains whose first break came before the lamps had had the supply that they need to be at rest.

    ``intents``: when each was written, and what. An opening for darkness in between is one before the train's.
    """
    found = []
    for number, (at, detail) in enumerate(intents):
        ends = intents[number + 1][0] if number + 1 < len(intents) else float("inf")
        opening = next((edge for edge in edges if edge.on and at < edge.first < ends), None)
        if opening is None or not detail["pulses"]:
            continue
        closing = [edge for edge in edges if edge.last <= opening.first and not edge.on][-1:]
        had_s = opening.last - closing[0].first if closing else float("inf")
        if had_s < needs_s:
            words = f"a train from {detail['start']} began after {had_s:.3f} s of supply, of {needs_s:.3f}"
            found.append(Wrong(opening.first, opening.last, words))
    return found


def needs_s(site: Path) -> float:
    """The supply after which every lamp is settled and warm, at the slowest clock."""
    pad = load_site(site)
    sheets = [pad.datasheets[lamp.stem] for lamp in pad.circuit(CIRCUIT).lamps]
    return max(
        max(sheet.warm_up[0], sheet.on.settled[0] if sheet.on.settled else 0.0)
        / (1 - sheet.lamp.clock_tolerance)
        for sheet in sheets
    )
