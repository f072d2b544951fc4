"""The search core against what is published of synchronizing (reset) words.

The planner looks for a train that brings lamps from any scene to one; a reset word brings a finite
automaton from any state to one. Shortest lengths of these have been known for sixty years.
"""

from __future__ import annotations

from collections import Counter
from itertools import product

import pytest

from tests.planner.reset_words import GuidedResetWords, ResetWords, cerny, search_word, shortest


@pytest.mark.parametrize("n", range(2, 13))
def test_cernys_automata_need_n_minus_1_squared(n: int) -> None:
    """Cerny 1964 (from memory): (n - 1)^2; found by search to n = 12 in arXiv:1607.04025, too."""
    assert shortest(ResetWords(cerny(n))) == (n - 1) ** 2
    assert shortest(GuidedResetWords(cerny(n))) == (n - 1) ** 2


def lengths(n: int, problem: type[ResetWords]) -> Counter[int | None]:
    """How many pairs of letters over n states have a shortest reset word of each length."""
    letters = list(product(range(n), repeat=n))
    found: Counter[int | None] = Counter()
    for i, a in enumerate(letters):
        found[shortest(problem((a, a)))] += 1
        for b in letters[:i]:
            found[shortest(problem((a, b)))] += 2  # (a, b) and (b, a) are two automata with the same words
    return found


@pytest.mark.parametrize("problem", [ResetWords, GuidedResetWords])
def test_all_binary_automata_of_three_states(problem: type[ResetWords]) -> None:
    """Exhaustive counts, computed outside this project over all 729 labelled automata."""
    assert lengths(3, problem) == {1: 153, 2: 324, 3: 48, 4: 24, None: 180}


def test_all_binary_automata_of_four_states() -> None:
    """Exhaustive counts, computed outside this project over all 65,536 labelled automata.

    The longest, 9 = (4 - 1)^2, is Cerny's bound, here for all automata of 4 states.
    """
    expected = {1: 2032, 2: 22032, 3: 17616, 4: 4896, 5: 3072, 6: 1008, 7: 528, 8: 240, 9: 96, None: 14016}
    assert sum(expected.values()) == 65_536
    assert lengths(4, ResetWords) == expected


@pytest.mark.parametrize("problem", [ResetWords, GuidedResetWords])
def test_a_search_that_ends_early_says_what_no_finish_can_beat(problem: type[ResetWords]) -> None:
    """Whatever the budget: never a wrong answer, never more than the budget, a bound that holds and grows."""
    whole = search_word(problem(cerny(6)))
    assert whole.best is not None
    assert (whole.best.length, whole.bound, whole.complete) == (25, (25, 0), True)
    assert len(whole.best.states) == 1
    bounds = []
    for budget in range(whole.expanded):
        early = search_word(problem(cerny(6)), budget)
        assert (early.best, early.complete, early.expanded) == (None, False, budget)
        bounds.append(early.bound[0])
    assert bounds == sorted(bounds)
    assert 0 <= bounds[0] <= bounds[-1] <= 25
    assert search_word(problem(cerny(6)), whole.expanded) == whole


def test_a_bound_spares_work_and_changes_no_answer() -> None:
    plain, guided = search_word(ResetWords(cerny(8))), search_word(GuidedResetWords(cerny(8)))
    assert plain.best is not None
    assert guided.best is not None
    assert plain.best.length == guided.best.length == 49
    assert guided.expanded < plain.expanded


def test_no_word_is_said_to_be_none() -> None:
    """A permutation never brings two states together: the search ends by itself, without a word."""
    for problem in (ResetWords, GuidedResetWords):
        result = search_word(problem(([1, 2, 0], [1, 0, 2])))
        assert (result.best, result.complete) == (None, True)
