"""How often diagnosis is right, and whether its probabilities mean what they say.

``python -m tests.diagnosis.table`` prints the tables of docs/measured.md; the tests hold the same figures against
bounds.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from typing import NamedTuple

from sequencer.diagnosis.causes import Cause
from sequencer.diagnosis.explain import Diagnosis, Explanation, diagnose
from tests.diagnosis.drawn import draw

CASES = 500
BINS = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)


class Judged(NamedTuple):
    """One case: where the true group stood (from 1; None nowhere), and by kind of cause what was stated of it.

    ``explanations``: of each, what was stated, and whether it was the true one.
    """

    kind: str
    rank: int | None
    group: int
    stated: dict[str, float]
    explanations: tuple[tuple[float, bool], ...]


@cache
def judged(cases: int = CASES, first_seed: int = 1) -> tuple[Judged, ...]:
    """So many cases in which the fault showed, from this seed on."""
    found: list[Judged] = []
    seed = first_seed
    while len(found) < cases:
        drawn = draw(seed)
        seed += 1
        if drawn is not None:
            diagnosis = diagnose(drawn.case)
            alone = [each.groups[0] for each in diagnosis.explanations if len(each.groups) == 1]
            found.append(
                _judged(diagnosis, drawn.truth([cause for group in alone for cause in group.causes]))
            )
    return tuple(found)


def _judged(diagnosis: Diagnosis, true: Cause) -> Judged:
    right = [_is_true(each, true) for each in diagnosis.explanations]
    rank = right.index(True) + 1 if True in right else None
    group = len(diagnosis.explanations[rank - 1].groups[0].causes) if rank else 0
    stated: dict[str, float] = {}
    for each in diagnosis.explanations:
        for kind, share in _kinds(each).items():
            stated[kind] = stated.get(kind, 0.0) + each.probability * share
    pairs = tuple((each.probability, ok) for each, ok in zip(diagnosis.explanations, right, strict=True))
    return Judged(true.kind, rank, group, stated, pairs)


def _is_true(explanation: Explanation, true: Cause) -> bool:
    """It is the one group with the true cause in it, alone."""
    return len(explanation.groups) == 1 and any(_same(each, true) for each in explanation.groups[0].causes)


def _same(one: Cause, two: Cause) -> bool:
    return (one.kind, one.where, one.other, one.how) == (two.kind, two.where, two.other, two.how)


def _kinds(explanation: Explanation) -> dict[str, float]:
    """How much of an explanation is for each kind: within a group as the causes' odds are."""
    found: dict[str, float] = {}
    for group in explanation.groups:
        for cause in group.causes:
            found[cause.kind] = found.get(cause.kind, 0.0) + cause.odds / group.odds / len(explanation.groups)
    return found


class Row(NamedTuple):
    """By kind: how often it was the truth, how often stated (the sum of probabilities), and its standard deviation."""

    kind: str
    true: int
    stated: float
    wide: float
    first: int
    three: int


def by_kind(cases: Sequence[Judged]) -> list[Row]:
    """A reliability table by cause."""
    kinds = sorted({each.kind for each in cases} | {kind for each in cases for kind in each.stated})
    rows = []
    for kind in kinds:
        stated = [each.stated.get(kind, 0.0) for each in cases]
        wide = math.sqrt(sum(p * (1 - p) for p in stated))
        those = [each for each in cases if each.kind == kind]
        first = sum(each.rank == 1 for each in those)
        three = sum(each.rank is not None and each.rank <= 3 for each in those)
        rows.append(Row(kind, len(those), sum(stated), wide, first, three))
    return rows


class Bin(NamedTuple):
    """Explanations of which so much was stated: how many, what was stated on average, and how many were true."""

    low: float
    high: float
    count: int
    stated: float
    true: int


def by_probability(cases: Sequence[Judged]) -> list[Bin]:
    """A reliability table over all explanations."""
    found = []
    for low, high in zip(BINS, BINS[1:], strict=False):
        those = [
            (p, ok)
            for each in cases
            for p, ok in each.explanations
            if low <= p < high or (high == 1.0 and p == 1.0)
        ]
        mean = sum(p for p, _ in those) / len(those) if those else 0.0
        found.append(Bin(low, high, len(those), mean, sum(ok for _, ok in those)))
    return found


def shares(cases: Sequence[Judged]) -> tuple[float, float]:
    """In how many cases the true group stood first, and in the first three."""
    first = sum(each.rank == 1 for each in cases) / len(cases)
    three = sum(each.rank is not None and each.rank <= 3 for each in cases) / len(cases)
    return first, three


def lines(cases: Sequence[Judged]) -> Iterator[str]:
    """The tables in Markdown."""
    first, three = shares(cases)
    yield f"{len(cases)} cases: the true group first in {first:.1%}, in the first three in {three:.1%}."
    yield ""
    yield "| cause | cases | stated (sum of probabilities) | first | in the first three |"
    yield "| --- | --- | --- | --- | --- |"
    for row in by_kind(cases):
        ranks = f"{row.first} | {row.three}" if row.true else " | "
        yield f"| {row.kind} | {row.true} | {row.stated:.1f} ± {row.wide:.1f} | {ranks} |"
    yield ""
    yield "| probability stated | explanations | stated on average | true |"
    yield "| --- | --- | --- | --- |"
    for each in by_probability(cases):
        share = f"{each.true / each.count:.3f}" if each.count else ""
        span = f"{each.low:g} to {each.high:g}"
        yield f"| {span} | {each.count} | {each.stated:.3f} | {each.true} ({share}) |"


if __name__ == "__main__":
    print("\n".join(lines(judged(int(sys.argv[1]) if len(sys.argv) > 1 else CASES))))
