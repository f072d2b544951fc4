"""``lampstep bench measure`` on a rig of which nothing is real."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.datasheet import load_datasheet
from tests.cli.test_json_fields import listed

CONFIG = Path(__file__).parents[2] / "config"
RIG = CONFIG / "rigs" / "workshop.toml"
Run = Callable[[str], Any]


@pytest.fixture
def measured(run: Run, tmp_path: Path) -> Callable[..., Any]:
    def measure(more: str = "", stem: str = "a") -> Any:
        kept = tmp_path / f"{stem}.json"
        return run(
            f"bench measure {CONFIG}/lamps/type-{stem}.toml --rig {RIG} --resume {kept} --yes {more}".strip()
        )

    return measure


def test_it_writes_a_datasheet_and_will_not_write_over_it(
    measured: Callable[..., Any], tmp_path: Path
) -> None:
    out = tmp_path / "measured.toml"
    said = measured(f"--out {out}")
    assert said.status == 0
    assert "Capacitor " in said.out
    assert load_datasheet(out).lamp.name == "Bench type A"
    again = measured(f"--out {out}")
    assert again.status == 2
    assert "is there already" in again.err


def test_its_fields(measured: Callable[..., Any]) -> None:
    found = measured("--json", stem="d").json
    assert list(found) == listed("bench measure")
    assert {tuple(edge) for edge in found["edges"]} == {tuple(listed("bench measure", "edge field"))}
    assert found["out"] is None
    assert "[off]" in found["toml"]


def test_a_whole_run_is_not_asked_again(measured: Callable[..., Any], tmp_path: Path) -> None:
    first = measured("--json", stem="e").json
    answers = json.loads((tmp_path / "e.json").read_text())["answers"]
    second = measured("--json", stem="e").json
    assert second["edges"] == first["edges"]
    assert len(answers) == first["presentations"] <= second["presentations"] <= len(answers) + 1


def test_other_options_do_not_go_on_with_it(measured: Callable[..., Any]) -> None:
    measured("--json", stem="d")
    said = measured("--precision 0.1", stem="d")
    assert said.status == 2
    assert "begun with another datasheet, rig or options" in said.err


@pytest.mark.parametrize("value", ["0", "0.6", "x", "nan"])
def test_a_precision_out_of_reason(measured: Callable[..., Any], value: str) -> None:
    said = measured(f"--precision {value}")
    assert said.status == 2
    assert "must be a number from 0.01 to 0.5" in said.err


def test_a_slow_relay_is_asked_for_no_break_that_it_cannot_make(run: Run, tmp_path: Path) -> None:
    """It closes up to 0.2 s late: mean 150 less 5.5 ms, and a spread of 52.5 ms."""
    rig, kept = tmp_path / "rig.toml", tmp_path / "kept.json"
    text = RIG.read_text(encoding="utf-8").replace("make_s = [0.005, 0.012]", "make_s = [0.1, 0.2]")
    rig.write_text(text, encoding="utf-8")
    line = f"bench measure {CONFIG}/lamps/type-a.toml --rig {rig} --resume {kept} --yes"
    said = run(line)
    assert said.status == 0
    assert "This relay makes no break under 0.197 s (its make_s and break_s)" in said.out
    found = run(f"{line} --json").json
    through = [edge for edge in found["edges"] if edge["edge"] == "ride-through"]
    assert through[0]["outcome"] == "below"
    assert through[0]["note"] == (
        "every length was long: it lies below the shortest break of this relay, 0.197 s"
    )
    breaks = [s for edge in through for shown in edge["shown"] for s in shown["lengths_s"]]
    assert 0.197 <= min(breaks) < 0.21
    assert any("no break under" in note for note in found["notes"])


def test_a_quick_relay_is_told_nothing_of_its_limits(measured: Callable[..., Any]) -> None:
    assert "This relay" not in measured(stem="d").out
