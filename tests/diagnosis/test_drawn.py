"""Diagnosis over drawn cases: it is right as often as it is to be, and its probabilities mean what they say.

The 500 cases take a minute or two; they are worked out once for all of these tests.
"""

from __future__ import annotations

import math

from tests.diagnosis.table import by_kind, by_probability, judged, shares

WIDE = 3.5
"""Standard deviations of chance that a figure may be off: one table in some two hundred by chance alone."""
OFF = 0.02
"""And by how much, as a part of all cases: the model has a few points where the pad has a range."""
TOLD = 0.06


def test_the_true_group_stands_first_and_in_the_first_three() -> None:
    first, three = shares(judged())
    assert first >= 0.85
    assert three >= 0.97


def test_causes_are_stated_as_often_as_they_are_true() -> None:
    cases = judged()
    for row in by_kind(cases):
        assert abs(row.true - row.stated) <= WIDE * row.wide + OFF * len(cases), row


def test_what_is_stated_with_some_probability_is_true_so_often() -> None:
    for each in by_probability(judged()):
        chance = math.sqrt(each.stated * (1 - each.stated) / each.count)
        assert abs(each.true / each.count - each.stated) <= WIDE * chance + TOLD, each


def test_every_kind_of_cause_was_drawn() -> None:
    kinds = {each.kind for each in judged()}
    assert kinds >= {"cord", "dead", "stuck", "ride_through", "weak", "other_type", "run", "tap", "volts"}
    assert kinds >= {"bounce", "start", "clock"}
