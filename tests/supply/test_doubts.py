"""``check`` doubts a supply that ``supply`` would find fault with."""

from __future__ import annotations

from pathlib import Path

from sequencer.doubts import doubts
from sequencer.supply.advise import advise
from sequencer.supply.feed import feed_of
from tests.supply.sites import pad


def test_findings_are_doubts_and_a_sound_supply_has_none(tmp_path: Path) -> None:
    sound = pad(tmp_path)
    weak = pad(tmp_path, ("length_m = 6", "length_m = 16"), ("unused_capped = true\n", ""))
    feed = feed_of(weak, "deep")
    assert feed is not None
    found = [str(finding) for finding in advise(feed).findings]
    assert len(found) == 2
    before = [str(doubt) for doubt in doubts(sound)]
    assert [str(doubt) for doubt in doubts(weak) if str(doubt) not in before] == found
