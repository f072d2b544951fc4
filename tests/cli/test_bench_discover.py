"""``lampstep bench discover`` as its user has it, and ``--report`` of all three."""

from __future__ import annotations

import json
import re
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


def test_the_command_to_go_on_is_whole(run: Run, tmp_path: Path) -> None:
    """What it was begun with is in the record: volts, scenes and settling need not be typed again, nor may differ."""
    kept = f"--resume {tmp_path}/run.json"
    begun = f"--budget-cycles 100 --budget-hours 3 --settled 15 --most-scenes 9 --volts 12 --name Shed {kept}"
    first = run(f"bench discover {RIG} --pretend {B} {begun}")
    line = first.out.rstrip().splitlines()[-1]
    assert line.startswith("Next: lampstep bench discover --rig")
    assert line.endswith("--name Shed --budget-cycles 200 --budget-hours 6")
    asked = json.loads((tmp_path / "run.json").read_text())["asked"]
    other = run(f"bench discover {RIG} --pretend {B} --volts 13 {kept}")
    assert (other.status, "was begun at 12 V" in other.err) == (2, True)
    again = run(f"{line.removeprefix('Next: lampstep ').replace('cycles 200', 'cycles 5000')} --json")
    assert again.status == 0
    assert [
        [[pulse["off_s"], pulse["on_s"]] for pulse in entry["pulses"]]
        for entry in again.json["log"][: len(asked)]
    ] == [one[0] for one in asked]
    assert "15 s of supply leave it settled" in again.json["toml"]
    assert "at most 9 scenes" in again.json["toml"]


def test_what_this_rig_cannot_try_is_said(run: Run, tmp_path: Path) -> None:
    """A slow relay makes no break of 20 ms, and this bench none of a minute: neither is tried."""
    text = (CONFIG / "rigs" / "workshop.toml").read_text().replace("[0.005, 0.012]", "[0.09, 0.11]")
    (tmp_path / "rig.toml").write_text(f"{text}\n[timing]\nmax_dark_s = 20\n")
    said = run(f"bench discover --rig {tmp_path}/rig.toml --pretend {B} --json")
    assert said.status == 0
    offs = [pulse["off_s"] for entry in said.json["log"] for pulse in entry["pulses"]]
    assert 0.107 <= min(offs) < 0.15  # 0.1 - 0.0055 and a spread of 0.0125
    assert max(offs) == 20
    assert "A break of 20 s is a power-down; one under 0.11 s was not tried." in said.json["toml"]


def real_rig(tmp_path: Path, supply: str, eyes: str) -> Path:
    text = (CONFIG / "rigs" / "workshop.toml").read_text()
    text = text.replace('driver = "simulated"\nside', 'driver = "gpio"\npin = 17\nside')
    path = tmp_path / "rig.toml"
    path.write_text(f"{text[: text.index('[supply]')]}[supply]\n{supply}\n[eyes]\n{eyes}\n")
    return path


FIXED, SET = 'driver = "fixed"\nvolts = 12.0', 'driver = "scpi"\nport = "/dev/ttyS98"\nvolts = [8.0, 16.0]'
OPERATOR = 'driver = "operator"'


@pytest.mark.parametrize(
    ("typed", "supply", "eyes", "problem"),
    [
        ("discover", SET, OPERATOR, "[supply] can be set: say with --volts what the lamp's plate says"),
        ("discover --volts 24", SET, OPERATOR, "[supply] gives 8-16 V, not the 24.0 V of --volts"),
        ("discover --volts 12", FIXED, OPERATOR, "[supply] is fixed: leave --volts out"),
        (
            "discover",
            FIXED,
            'driver = "sensor"\nport = "/dev/ttyS99"',
            "[eyes] is not calibrated: lampstep bench white --rig",
        ),
        (
            "discover",
            FIXED,
            'driver = "meter"\nport = "/dev/ttyS99"\nunit = 1\nregister = 0\nscale = 0.001',
            "a current meter cannot tell what nobody has described",
        ),
        (f"accept {A}", SET.replace("[8.0, 16.0]", "[3.0, 6.0]"), OPERATOR, "[supply] gives 3-6 V, and"),
        (f"measure {A}", SET.replace("[8.0, 16.0]", "[3.0, 6.0]"), OPERATOR, "wants 11-15 V"),
        ("accept BARE", SET, OPERATOR, "does not say to what: add [electrical] volts to its datasheet"),
    ],
)
def test_a_rig_that_cannot_serve_is_told_before_anything_is_switched(
    run: Run, tmp_path: Path, typed: str, supply: str, eyes: str, problem: str
) -> None:
    """On none of these would the lamp have been lit, or seen: no verdict would have been of the lamp."""
    bare = tmp_path / "bare.toml"
    bare.write_text(re.sub(r"(?s)\[electrical\].*?(?=\[\[scene)", "", Path(A).read_text()))
    said = run(f"bench {typed.replace('BARE', str(bare))} --rig {real_rig(tmp_path, supply, eyes)} --yes")
    assert said.status == 2
    assert problem in said.err


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
        (
            f"bench discover {RIG} --pretend {A} --out /none/x.toml",
            "no folder /none: name another file with --out",
        ),
        (f"bench accept {A} {RIG} --report /none/x.html", "no folder /none: name another file with --report"),
        (f"bench measure {A} {RIG} --out /none/x.toml", "no folder /none: name another file with --out"),
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
