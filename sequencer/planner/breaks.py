"""The kinds of break a circuit's relay can make, by what each does to each type of lamp."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sequencer.automaton.behaviour import Behaviour
from sequencer.automaton.guards import Effect
from sequencer.planner.intervals import pieces

IGNORED: tuple[Effect, ...] = ("ignored",)


class BreakKind(NamedTuple):
    """Breaks of ``first_ns`` to ``last_ns`` at the contact, and their possible effects on each type."""

    first_ns: int
    last_ns: int
    effects: tuple[tuple[Effect, ...], ...]


def break_kinds(behaviours: Sequence[Behaviour], max_dark_ns: int) -> list[BreakKind]:
    """All kinds up to the longest break allowed, shortest first, less those that no lamp notices."""
    cuts = {
        cut for b in behaviours for window in b.guards.breaks for cut in (window.first_ns, window.last_ns)
    }
    kinds = pieces(cuts, max_dark_ns, lambda off: tuple(b.effects(off) for b in behaviours))
    return [BreakKind(*k) for k in kinds if any(e != IGNORED for e in k.value)]


def worth_making(kinds: Sequence[BreakKind], outlasts_ns: int) -> list[BreakKind]:
    """The kinds that a best train may need.

    Not those that every type may leave unnoticed: what follows has to hold even then, and so without that break.
    Nor those that do what a shorter kind does, or perhaps more: but only among kinds that every type notices, so
    that nothing counts on from before; and only where the shorter one may last ``outlasts_ns``, so that no flash
    limit is left to wait for. Then all that would follow the longer one follows the shorter one as much earlier.
    """
    kept: list[BreakKind] = []
    for kind in kinds:
        unnoticed = ["ignored" in effects for effects in kind.effects]
        shorter = not any(unnoticed) and any(k.last_ns >= outlasts_ns and _within(k, kind) for k in kept)
        if not all(unnoticed) and not shorter:
            kept.append(kind)
    return kept


def _within(kind: BreakKind, other: BreakKind) -> bool:
    """Whether to every type a kind does nothing but what the other may do."""
    return all(set(mine) <= set(its) for mine, its in zip(kind.effects, other.effects, strict=True))
