"""``lampstep bench discover`` as its user has it, and ``--report`` of all three."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.datasheet import load_datasheet
from tests.cli.conftest import CONFIG, Said
from tests.cli.test_json_fields import listed
from tests.lampbench.lamps import unlike
from tests.lampbench.test_report import Page

RIG = f"--rig {CONFIG}/rigs/workshop.toml"
A, B = (f"{CONFIG}/lamps/type-{stem}.toml" for stem in "ab")
Run = Callable[[str], Said]


def test_a_lamp_without_a_datasheet_gets_one_that_accepts_it(run: Run, state: Path, tmp_path: Path) -> None:
    out = tmp_path / "found.toml"
    said = run(f"bench discover {RIG} --pretend {B} --out {out} --name Shed --report {tmp_path}/r.html")
    assert said.status == 0
    assert said.out.startswith(
        "The lamp selects by count among 5 scenes, beyond them: ignored; after a power-down: first"
    )
    assert f"Written: {out}. Next: lampstep bench accept {out} ..." in said.out
    found = load_datasheet(out)
    assert found.lamp.name == "Shed"
    assert unlike(load_datasheet(B), found) is None
    assert (state / "bench" / "discover.json").exists()
    assert "DISCOVERED." in " ".join(Page((tmp_path / "r.html").read_text()).said("p"))
    assert run(f"bench accept {out} {RIG} --tours 2").status == 0


def test_a_small_budget_ends_it_and_it_goes_on_with_a_greater_one(run: Run, tmp_path: Path) -> None:
    kept = f"--resume {tmp_path}/run.json"
    first = run(f"bench discover {RIG} --pretend {B} --budget-cycles 100 {kept} --json")
    assert first.status == 1
    assert first.json["toml"] is None
    assert first.json["end"] == "over budget"
    assert first.json["relay_cycles"] <= 100
    again = run(f"bench discover {RIG} --pretend {B} {kept} --json")
    assert again.status == 0
    assert again.json["whole"] is True
    assert again.json["relay_cycles"] > 100
    begun, whole = first.json["log"], again.json["log"]
    assert [entry["pulses"] for entry in whole[: len(begun)]] == [entry["pulses"] for entry in begun]
    assert len(whole) > len(begun)


@pytest.mark.parametrize("word", ["accept", "measure"])
def test_the_others_report_too(run: Run, tmp_path: Path, word: str) -> None:
    more = "--tours 1" if word == "accept" else ""
    report = tmp_path / "report.html"
    said = run(f"bench {word} {A} {RIG} {more} --resume {tmp_path}/run.json --report {report} --json")
    read = Page(report.read_text(encoding="utf-8"))
    (within,) = read.said("script")
    assert json.loads(within) == said.json
    again = run(f"bench {word} {A} {RIG} {more} --report {report}")
    assert again.status == 2
    assert "is not written over: name another file with --report" in again.err


@pytest.mark.parametrize(
    ("typed", "problem"),
    [
        (f"bench discover {RIG}", "say with --pretend DATASHEET which lamp is simulated"),
        (f"bench discover {RIG} --pretend {A} --resume {A}", "no run of lampstep bench"),
        (f"bench discover {RIG} --pretend {A} --out {A}", "name another file with --out"),
        (f"bench discover {RIG} --pretend {A} --budget-cycles 1", "--budget-cycles"),
        (f"bench discover --pretend {A}", "--rig is missing"),
    ],
)
def test_misfits(run: Run, typed: str, problem: str) -> None:
    said = run(typed)
    assert said.status == 2
    assert problem in said.err
    assert "Traceback" not in said.err


def test_a_name_that_is_none(run: Run) -> None:
    said = run(f"bench discover {RIG} --pretend {A} --name {'x' * 61}")
    assert said.status == 2
    assert "--name: 1 to 60 characters" in said.err


def test_the_fields_are_those_of_the_page(run: Run, tmp_path: Path) -> None:
    said = run(f"bench discover {RIG} --pretend {B} --resume {tmp_path}/run.json --json")
    assert list(said.json) == listed("bench discover")
