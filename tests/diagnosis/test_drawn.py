"""Diagnosis over drawn cases: it is right as often as it is to be, and its probabilities mean what they say.

The 500 cases take a minute or two; they are worked out once for all of these tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from tests.diagnosis.table import Bin, Judged, Row, by_kind, by_probability, judged, shares

WIDE = 3.0
"""Standard deviations of chance that a figure may be off."""
OFF = 0.02
"""And by how much, as a part of all cases: the model has a few points where the pad has a range."""
TOLD = 0.02


def test_the_true_group_stands_first_and_in_the_first_three() -> None:
    first, three = shares(judged())
    assert first >= 0.85
    assert three >= 0.97


def test_causes_are_stated_as_often_as_they_are_true() -> None:
    assert list(kinds_off(judged())) == []


def test_what_is_stated_with_some_probability_is_true_so_often() -> None:
    assert list(bins_off(judged())) == []


def test_the_first_is_right_as_often_as_it_says() -> None:
    assert abs(first_off(judged())) <= WIDE


def test_these_tolerances_catch_a_boaster_and_a_doubter_and_another_prior() -> None:
    """The same ranking with probabilities too sharp, or too flat; and one kind of cause stated as another."""
    for power in (3.0, 0.5):
        assert abs(first_off([reshaped(each, power) for each in judged()])) > WIDE
    swapped = {"cord": "stuck", "stuck": "cord"}
    stated = [
        each._replace(stated={swapped.get(kind, kind): p for kind, p in each.stated.items()})
        for each in judged()
    ]
    assert list(kinds_off(stated))


def first_off(cases: Sequence[Judged]) -> float:
    """By how many standard deviations the first explanation is right oftener than its probabilities say."""
    firsts = [each.explanations[0] for each in cases]
    wide = math.sqrt(sum(p * (1 - p) for p, _ in firsts))
    return sum(ok - p for p, ok in firsts) / (wide + 0.01 * len(cases))


def kinds_off(cases: Sequence[Judged]) -> Iterator[Row]:
    """Causes that are stated oftener or less often than they are true."""
    for row in by_kind(cases):
        if abs(row.true - row.stated) > WIDE * row.wide + OFF * len(cases):
            yield row


def bins_off(cases: Sequence[Judged]) -> Iterator[Bin]:
    """Probabilities that do not mean what they say."""
    for each in by_probability(cases):
        chance = math.sqrt(each.stated * (1 - each.stated) / max(each.count, 1))
        if abs(each.true / max(each.count, 1) - each.stated) > WIDE * chance + TOLD:
            yield each


def reshaped(case: Judged, power: float) -> Judged:
    """Probabilities raised to a power, and made to sum to 1 again."""
    total = sum(p**power for p, _ in case.explanations)
    return case._replace(explanations=tuple((p**power / total, ok) for p, ok in case.explanations))


def test_every_kind_of_cause_was_drawn() -> None:
    kinds = {each.kind for each in judged()}
    assert kinds >= {"cord", "dead", "stuck", "ride_through", "weak", "other_type", "run", "tap", "volts"}
    assert kinds >= {"bounce", "start", "clock"}
