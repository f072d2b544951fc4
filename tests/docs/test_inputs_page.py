"""The figures of docs/inputs.md are those of the program."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.core.reading import CHATTER, GAP_S, STANDS_S, STILL_S
from sequencer.inputs.indicator import BLINK_S
from sequencer.sitefile.serve import Serve

PAGE = " ".join((Path(__file__).parents[2] / "docs" / "inputs.md").read_text(encoding="utf-8").split())
SERVE = Serve()


@pytest.mark.parametrize(
    "words",
    [
        *(f"| {kind} | {STANDS_S[kind]:g} s |" for kind in ("switch", "button", "occupied")),
        f"lost {GAP_S + STANDS_S['sense']:g} s after the last pulse; back {STANDS_S['sense']:g} s after the first",
        f"a gap counts only when it has lasted {GAP_S:g} s",
        (
            f"{CHATTER['switch']} edges within a second ({CHATTER['sense']} for the sense, "
            f"whose edges cannot come faster than {2 / GAP_S:g})"
        ),
        f"ignored until there was no edge for {STILL_S:g} s",
        f"`flick_s` ({SERVE.flick_s:g} s)",
        f"`long_press_s` ({SERVE.long_press_s:g} s)",
        f"`stuck_s` ({SERVE.stuck_s:g} s)",
    ],
)
def test_a_figure(words: str) -> None:
    assert words in PAGE


def test_how_fast_the_indicator_blinks() -> None:
    assert sum(BLINK_S["slow"]) == 2, "once in two seconds"
    assert sum(BLINK_S["fast"]) == 0.5, "twice a second"
