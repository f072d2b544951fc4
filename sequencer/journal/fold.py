"""What the entries come to at the next start; pure.

Of most entries only the last of its slot counts:

| slot | entry | what it does |
| --- | --- | --- |
| ``wish hand``, ``wish asked`` | a person chose a scene | it is wished for, and remembered |
| ``wish steady`` | plain light is wanted | steady |
| ``wish taken back`` | all that is taken back | nothing is wished for, not steady |
| ``switch off`` | the switch went off | nothing is wished for |
| ``intent`` | a train is about to be sent | open |
| ``outcome`` | it ended, not as it should have | no longer open |
| ``outcome well`` | it ended well | no longer open; its scene is remembered |

Beside these, outcomes and darknesses of the last hour count for their relay cycles.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from sequencer.core.carried import Carried, CarriedWish
from sequencer.journal.entries import COUNTED, Entry

HOUR_S = 3600.0
WEEK_S = 168 * HOUR_S
"""A wish older than this is gone; no site can have one stand longer (``wish_h``)."""


def slot_of(entry: Entry) -> str | None:
    """Which slot of its circuit an entry takes; None: it counts for nothing but its age and cycles."""
    detail = entry.detail
    if entry.circuit is None:
        return None
    if entry.kind == "wish":
        return f"wish {detail.get('wish')}"
    if entry.kind == "input":
        return "switch off" if (detail.get("input"), detail.get("is")) == ("switch", "off") else None
    if entry.kind == "outcome":
        spoilt = any(detail.get(flaw) for flaw in ("spoiled", "after_cut", "failed"))
        return "outcome" if spoilt or not detail.get("scene") else "outcome well"
    return "intent" if entry.kind == "intent" else None


def gap_s(earlier: Entry, later: Entry) -> float:
    """The least time that passed between two entries, whatever the wall clock did meanwhile.

    Within a run of the daemon by its own axis; from one run to the next by the wall clock, or nothing when
    that went backwards.
    """
    same_run = earlier.boot == later.boot and later.kind != "start"
    gap = later.at_s - earlier.at_s if same_run else later.unix_s - earlier.unix_s
    return max(gap, 0.0)


def recent(newest_first: Iterable[Entry], now_unix: float) -> list[Entry]:
    """The entries of the last week, oldest first, and the one before them."""
    found: list[Entry] = []
    age_s = 0.0
    for entry in newest_first:
        age_s += gap_s(entry, found[-1]) if found else max(now_unix - entry.unix_s, 0.0)
        found.append(entry)
        if age_s > WEEK_S:
            break
    return found[::-1]


def fold(entries: Sequence[Entry], now_unix: float, totals: Mapping[str, int]) -> dict[str, Carried]:
    """What is carried over, for every circuit that the entries or ``totals`` name.

    :param entries: in the order of writing: all of them; or the last of every slot and :func:`recent`, which
        comes to the same.
    :param now_unix: the wall clock now, from which ages count.
    :param totals: relay cycles for ever.
    """
    circuits: defaultdict[str, _Circuit] = defaultdict(_Circuit)
    for name in totals:
        circuits[name].total = totals[name]
    for entry, age_s in zip(entries, _ages(entries, now_unix), strict=True):
        if entry.circuit is not None:
            circuits[entry.circuit].take(entry, age_s)
    return {name: circuit.carried() for name, circuit in circuits.items()}


def _ages(entries: Sequence[Entry], now_unix: float) -> list[float]:
    """How long ago each entry was, at the least."""
    if not entries:
        return []
    ages = [max(now_unix - entries[-1].unix_s, 0.0)]
    for later, earlier in pairwise(reversed(entries)):
        ages.append(ages[-1] + gap_s(earlier, later))
    return ages[::-1]


@dataclass
class _Circuit:
    """One circuit while its entries go by."""

    total: int = 0
    scene: str | None = None
    steady: bool = False
    open_intent: bool = False
    open_cycles: int = 0
    hand: CarriedWish | None = None
    asked: CarriedWish | None = None
    cycles: list[tuple[float, int]] = field(default_factory=list)

    def take(self, entry: Entry, age_s: float) -> None:
        slot = slot_of(entry)
        if slot == "wish hand":
            self.hand = self._wished("hand", entry, age_s)
        elif slot == "wish asked":
            self.asked = self._wished("asked", entry, age_s)
        elif slot == "wish steady":
            self.steady = True
        elif slot in {"wish taken back", "switch off"}:
            self.hand = self.asked = None
            self.steady = self.steady and slot == "switch off"
        elif slot == "intent":
            self.open_intent = True
            self.open_cycles = len(entry.detail.get("pulses", ()))
        elif slot in {"outcome", "outcome well"}:
            self.open_intent, self.open_cycles = False, 0
            if slot == "outcome well":
                self.scene = str(entry.detail["scene"])
        if entry.kind in COUNTED and (cycles := int(entry.detail.get("cycles") or 0)) and age_s <= HOUR_S:
            self.cycles.append((age_s, cycles))

    def _wished(self, kind: str, entry: Entry, age_s: float) -> CarriedWish:
        self.scene = str(entry.detail.get("scene"))
        return CarriedWish("hand" if kind == "hand" else "asked", self.scene, age_s)

    def carried(self) -> Carried:
        wishes = tuple(w for w in (self.hand, self.asked) if w is not None and w.age_s <= WEEK_S)
        return Carried(
            self.scene,
            self.steady,
            wishes,
            tuple(self.cycles),
            self.open_intent,
            self.total,
            self.open_cycles,
        )
