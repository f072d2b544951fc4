"""What a circuit shows, what is known of it and why, in plain words."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from sequencer.core.state import HOUR_S, CircuitState

Indication = Literal["dark", "steady", "slow", "fast"]


class LampStatus(NamedTuple):
    """One lamp: the code it certainly rests on, or None, and who says so."""

    lamp: str
    code: int | None
    by: str


class Status(NamedTuple):
    """One circuit. ``headline`` stands alone; ``reasons`` are sentences.

    ``phase``: of the table, or "not confirmed": nobody knows whether it is lit. ``contact``: where it certainly
    stands, "closed" or "open"; "moving" while a player has it; "not confirmed" when nobody knows.
    """

    circuit: str
    phase: str
    contact: str
    scene: str
    rank: str
    matched: bool
    indication: Indication
    headline: str
    reasons: tuple[str, ...]
    lamps: tuple[LampStatus, ...]


NOT_CONFIRMED = "not confirmed"
WORDS = {
    "waiting": "a train to {scene} waits",
    "planning": "working out the train to {scene}",
    "sending": "sending the train to {scene}",
    "ending": "breaking off a train",
    "dark": "dark",
    "unpowered": "no supply",
}

RANKS = {
    "off": "the switch is off",
    "steady": "plain light was asked for, until it is taken back",
    "hand": "chosen at the pad",
    "request": "asked for",
    "calendar": "the calendar",
    "memory": "what it was last brought onto",
}
FIRST = "the first favourite; these lamps were never brought onto a scene from here"


def status(s: CircuitState) -> Status:
    """The circuit in words."""
    lamps = tuple(
        LampStatus(lamp.name, belief.code, belief.by)
        if (belief := s.known.get(lamp.name)) is not None and _shown(s)
        else LampStatus(lamp.name, None, "")
        for lamp in s.rules.lamps
    )
    nobody_knows = s.contact.stands == "unknown"
    return Status(
        s.rules.circuit,
        NOT_CONFIRMED if nobody_knows and not s.with_player else s.phase,
        NOT_CONFIRMED if nobody_knows else s.contact.stands,
        s.wanted,
        s.rank,
        s.matched,
        indication(s),
        _headline(s),
        _reasons(s),
        lamps,
    )


def indication(s: CircuitState) -> Indication:
    """What the indicator lamp does: steady matched, slow busy, fast failed."""
    if s.contact.stands == "unknown" and not s.with_player:
        return "fast"
    if s.phase == "dark":
        return "dark"
    no_train = s.wanted in s.refused or s.wanted not in s.rules.wanted
    if s.trouble or s.phase == "unpowered" or (no_train and not s.steady):
        return "fast"
    if s.phase == "lit" and (s.matched or s.steady):
        return "steady"
    return "slow"


def _shown(s: CircuitState) -> bool:
    return s.contact.stands == "closed" and s.supply and not s.with_player


def _headline(s: CircuitState) -> str:
    if s.phase == "ending" and not s.number:  # no train of this start
        return "a train of an earlier start is sent to its end"
    if s.contact.stands == "unknown" and not s.with_player:
        wish = "dark is wanted" if s.off else "light is wanted"
        return f"contact not confirmed: {wish}, and nobody knows whether the lamps are lit"
    if s.phase in WORDS:
        sent = s.asked.scene if s.phase == "sending" and s.asked else s.wanted  # another may be wanted by now
        return WORDS[s.phase].format(scene=sent)
    if s.steady:
        return "plain light, no trains"
    if s.matched:
        return f"every lamp on {s.wanted}"
    return f"lit, not matched on {s.wanted}"


def _reasons(s: CircuitState) -> tuple[str, ...]:
    why = RANKS[s.rank] if s.remembered or s.rank != "memory" else FIRST
    said = [why if s.rank in {"off", "steady"} else f"{s.wanted}: {why}"]
    if s.rank == "calendar" and s.slot:
        said[0] += f" ({s.slot})"
    if s.phase == "dark" and s.rank == "memory":
        said[0] = "between shows"
    if s.due and s.phase in {"lit", "waiting", "planning", "sending"}:
        said.append(f"a train is due: {s.due}")
    if s.phase == "waiting" and s.held:
        said.append(f"it waits: {s.held}")
    if s.wanted in s.refused:
        said.append(f"no train to {s.wanted}: {s.refused[s.wanted]}")
    elif s.wanted not in s.rules.wanted:
        said.append(f"some lamp has no scene for {s.wanted}")
    if s.trouble:
        said.append(f"what failed last: {s.trouble}")
    return (*said, *_in_step(s))


def _in_step(s: CircuitState) -> tuple[str, ...]:
    """How long a moving scene stays in step, and what keeping it so costs."""
    in_step_s = s.rules.in_step_s.get(s.wanted)
    if in_step_s is None or s.rank in {"off", "steady"}:
        return ()
    words = f"{s.wanted} moves, and its lamps stay in step to the eye for about {_span(in_step_s)}"
    if math.isinf(s.rephase_at):
        return (f"{words}; it is not sent again then",)
    cycles = s.full_cycles.get(s.wanted)
    if cycles is None:
        return (f"{words}; it is sent again then",)
    every_s = max(in_step_s, HOUR_S / s.rules.rephase_per_h)
    cost = cycles * HOUR_S / every_s
    return (f"{words}; it is sent again every {_span(every_s)}, {cost:.1f} relay cycles an hour",)


def _span(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 2 * HOUR_S else f"{seconds / HOUR_S:.1f} h"
