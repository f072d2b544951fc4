"""What is typed in any order means the same."""

from __future__ import annotations

import pytest

from sequencer.cli.arguments import parse


@pytest.mark.parametrize(
    "line",
    [
        "touch SITE --circuit lap-pool switch=off sense=on",
        "touch --circuit lap-pool SITE switch=off sense=on",
        "touch SITE switch=off --circuit lap-pool sense=on",
    ],
)
def test_options_may_stand_between_the_words(line: str) -> None:
    found = parse(line.split())
    assert (found.site, found.circuit) == ("SITE", "lap-pool")
    assert list(found.seen) == [("switch", "off"), ("sense", "on")]
