"""What lamps really showed through stalls, slow disks, lost lines and kills, held against what the daemon said of them.

``python -m tests.daemon.real_faults`` does the same with as many trials as one likes.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daemon.real_faults import BOUND_S, SETS, trials
from tests.daemon.real_pad import Edge, Pad, Sample
from tests.daemon.real_stories import KINDS
from tests.daemon.real_truth import (
    LANDS_S,
    closed_between,
    contact_claims,
    hasty_trains,
    wrong_of_the_contact,
    wrong_of_the_lamps,
)
from tests.relay.peers import need_debian

PADS, CI_STALL_S, CI_SETS = 7, 4.0, 12
QUICKEST_S = 1 / 3
"""From one flash to the next: WCAG 2.2, success criterion 2.3.1, three in a second."""
LATE_S = 0.06
"""What an edge may be late on a line of 9600 baud before its train fails; see :mod:`sequencer.relay.modbus`."""
SAID = {
    "phase": "lit",
    "contact": "closed",
    "scene": "evening",
    "matched": False,
    "headline": "lit, not matched on evening",
    "indication": "slow",
    "lamps": [],
}


@pytest.mark.debian
def test_every_status_is_so(tmp_path: Path) -> None:
    need_debian()
    outcomes = trials(tmp_path, tuple(KINDS), seed=1, pads=PADS, longest_s=CI_STALL_S, sets=CI_SETS)
    assert [words for outcome in outcomes for words in outcome.trouble] == []
    assert sorted(trial.kind for outcome in outcomes for trial in outcome.trials) == sorted(KINDS)
    assert [each.words for outcome in outcomes for wrong in outcome.wrong for each in wrong] == []
    assert [outcome.uncounted for outcome in outcomes] == [0] * PADS
    assert min(outcome.quickest_s for outcome in outcomes) > QUICKEST_S - LATE_S
    assert all(claims > 0 for outcome in outcomes for claims in outcome.claims)


@pytest.mark.debian
def test_a_missing_break_would_be_seen(tmp_path: Path) -> None:
    """The comparison can fail: with one break left out, no set of lamps shows what was believed."""
    need_debian()
    with Pad(tmp_path / "pad", seed=2) as pad:
        assert pad.matches(0.0, BOUND_S)
        pad.pause(0.2, 0.2)
        pad.look_no_more()
        assert pad.daemon.stop() == 0
        edges, wanted = pad.edges(), pad.wanted
        for n in range(SETS):
            assert list(wrong_of_the_lamps(pad.site, edges, pad.samples, wanted, n)) == []
            assert list(wrong_of_the_lamps(pad.site, edges[:-2], pad.samples, wanted, n)) != []


def test_a_contact_that_stood_otherwise_is_seen() -> None:
    edges = [Edge(10.0, 10.0, True), Edge(12.0, 12.0, False)]
    lit = Sample(11.0, 11.5, SAID)
    assert len(list(wrong_of_the_contact(edges, [lit]))) == len(contact_claims(SAID)) == 3
    assert list(wrong_of_the_contact(edges, [lit._replace(answered_at=12.0)])) == []
    assert list(wrong_of_the_contact(edges, [lit._replace(said={**SAID, "contact": "open"})])) != []
    assert closed_between(edges, 10.0 + LANDS_S, 11.9) == {True, False}
    assert closed_between(edges, 10.1, 11.9) == {False}
    assert closed_between(edges, 12.1, 13.0) == {True}


def test_a_train_too_soon_is_seen() -> None:
    edges = [Edge(10.0, 10.0, True), Edge(10.5, 10.5, False), Edge(12.5, 12.5, True)]
    intent = (11.0, {"start": "rest", "pulses": [[0.5, 2.0]]})
    assert hasty_trains(edges, [intent], needs_s=2.0) == []
    assert len(hasty_trains(edges, [intent], needs_s=2.01)) == 1
    assert hasty_trains(edges, [(13.0, intent[1])], needs_s=2.01) == []
