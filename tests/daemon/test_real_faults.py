"""What lamps really showed through kills and a lost adapter, held against what the daemon believed of them.

``python -m tests.daemon.real_faults`` does the same with as many faults as one likes.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from tests.daemon.real_faults import KINDS, NATURES, Pad, faults
from tests.relay.peers import need_debian

FAULTS, PADS = 12, 4
QUICKEST_S = 1 / 3
"""From one flash to the next: WCAG 2.2, success criterion 2.3.1, three in a second."""
LATE_S = 0.06
"""What an edge may be late on a line of 9600 baud before its train fails; see :mod:`sequencer.relay.modbus`."""


@pytest.mark.debian
def test_the_lamps_show_what_the_daemon_believes(tmp_path: Path) -> None:
    need_debian()
    outcomes = faults(tmp_path, FAULTS, seed=1, pads=PADS)
    struck = [fault for outcome in outcomes for fault in outcome.faults]
    assert sorted(fault.kind for fault in struck) == sorted(KINDS * (FAULTS // len(KINDS)))
    assert [words for outcome in outcomes for words in outcome.wrong] == []
    assert [outcome.uncounted for outcome in outcomes] == [0] * PADS
    assert min(outcome.quickest_s for outcome in outcomes) > QUICKEST_S - LATE_S
    assert all(outcome.looks >= 1 + FAULTS // PADS for outcome in outcomes)


@pytest.mark.debian
def test_the_lamps_would_have_shown_a_missing_break(tmp_path: Path) -> None:
    """The comparison can fail: with one break left out, no set of lamps shows what was believed."""
    need_debian()
    pad = Pad(tmp_path / "pad", seed=2)
    try:
        pad.daemon.start()
        pad.matched()
        assert pad.daemon.stop() == 0
        edges = pad.edges()
        for n in range(NATURES):
            assert list(pad.played_back(edges, Random(n))) == []
            assert list(pad.played_back(edges[:-2], Random(n))) != []
    finally:
        pad.close()
