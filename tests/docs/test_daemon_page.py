"""docs/the-daemon.md says what the daemon goes by: its lists, and every figure, from its own constants."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.core.events import SupplyBack, SupplyLost
from sequencer.core.reading import GAP_S, STANDS_S
from sequencer.core.state import HELD, MOST_RETRY_S, MOST_STEADY_S, PRECEDENCE, RETRY_S, CircuitState
from sequencer.core.step import TABLE, step
from sequencer.daemon import loop
from sequencer.daemon.orders import rules_for
from sequencer.daemon.wire import MODE
from sequencer.doubts import Upkeep, upkeep
from sequencer.sitefile import load_site
from sequencer.sitefile.serve import Serve

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "the-daemon.md").read_text(encoding="utf-8")
WORDS = " ".join(TEXT.split())
SERVE = Serve()


def section(name: str) -> str:
    return TEXT.partition(f"\n## {name}\n")[2].partition("\n## ")[0]


@pytest.fixture(scope="module")
def lap_pool() -> Upkeep:
    pad = load_site(ROOT / "config" / "quarry-lane.toml", standing=True)
    return upkeep(pad, rules_for(pad, pad.circuit("lap-pool")))


def test_whose_word_counts_in_this_order() -> None:
    rows = re.findall(r"^\| (\d) \| `(\w+)` \|", section("Whose word counts"), re.MULTILINE)
    assert rows == [(str(n), name) for n, (name, _, _) in enumerate(PRECEDENCE, start=1)]


def test_everything_that_holds_a_train_back_in_its_words() -> None:
    rows = re.findall(r"^\| ([a-z].*?) \|", section("What holds a train back"), re.MULTILINE)
    assert rows == ["it waits while", *(words for _, words in HELD)]


def test_the_trial_of_the_supply_as_it_grows(lap_pool: Upkeep) -> None:
    """Seven outages of a second, each as the one before is through its trial or not, within an hour."""
    state, trials = CircuitState(lap_pool.rules._replace(steady_s=SERVE.steady_s), "evening", at=0.0), []
    for n in range(8):
        state, _ = step(state, SupplyLost(100.0 * n))
        state, _ = step(state, SupplyBack(100.0 * n + 1))
        trials.append(state.steady_until - state.at)
    (row,) = re.findall(r"^\| trial \| (.*) \|$", section("Power loss"), re.MULTILINE)
    assert row.split(" | ") == [f"{trial:g} s" for trial in trials[:7]]
    assert trials[6] == trials[7] == MOST_STEADY_S


@pytest.mark.parametrize(
    "words",
    [
        f"ago: `max_cycles_per_h` ({SERVE.max_cycles_per_h}) of a circuit",
        f"`resync_every_h` ({SERVE.resync_every_h:g} h) ago",
        f"last one is {SERVE.resync_every_h:g} h ago (`resync_every_h`)",
        f"at most `rephase_per_h` ({SERVE.rephase_per_h:g}) an hour",
        f"stands for `wish_h` ({SERVE.wish_h:g} h)",
        f"for `steady_s` ({SERVE.steady_s:g} s)",
        f"doubles, at most to {MOST_STEADY_S:g} s",
        f"| {RETRY_S:g} s later; after each further failure twice as long, at most {MOST_RETRY_S:g} s |",
        f"it has been brought to rest: tried every {loop.RETRY_S:g} s",
        f"read back every {loop.READ_BACK_S:g} s",
        f"again every {loop.RETRY_S:g} s if it cannot be; the next try {RETRY_S:g} s later",
        f"Blips shorter than {GAP_S + STANDS_S['sense']:g} s",
        f"made with mode {MODE:o}",
        f"seven states of a circuit and {len(TABLE)} numbered ways",
    ],
)
def test_a_figure(words: str) -> None:
    assert words in WORDS


def test_a_tenth_of_the_period() -> None:
    assert SERVE.visibly_apart == 0.1
    assert "by a tenth of the scene's period" in WORDS


def test_the_worked_example_of_drifting_apart(lap_pool: Upkeep) -> None:
    pad = load_site(ROOT / "config" / "quarry-lane.toml")
    shown = []
    for stem, lamps in (("type-a", "two lamps of type-a"), ("type-c", "two of type-c")):
        period_s = pad.lamp_scene(pad.scene("festival"), stem).period_s  # type: ignore[union-attr]
        tolerance = pad.datasheets[stem].lamp.clock_tolerance
        assert period_s is not None
        stays_s = period_s * SERVE.visibly_apart / (2 * tolerance)
        shown.append(stays_s)
        said = f"{lamps}, {period_s:g} s, {tolerance * 100:g} % each: "
        assert said + f"{period_s:g} x 0.1 / {2 * tolerance:g} = {stays_s:g} s" in WORDS
    assert lap_pool.rules.in_step_s["festival"] == min(shown)
    assert f"in step for {min(shown):g} s, at the worst clocks" in WORDS


def test_what_keeping_in_step_costs(lap_pool: Upkeep) -> None:
    per_h, rated = lap_pool.cycles_per_h("festival"), 100_000
    assert f"once an hour, at {lap_pool.trains['festival'].cycles} relay cycles each" in WORDS
    years = rated / (4 * per_h * 365.25)
    assert (
        f"four hours an evening are {4 * per_h:g} cycles, and {rated} rated cycles last {years:.1f} years"
        in WORDS
    )
