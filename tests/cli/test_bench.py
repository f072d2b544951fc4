"""``lampstep bench``: the verdict as its user has it, a run broken off and taken up, and every misfit in a line."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.bench.drive import answer
from sequencer.cli.main import main
from tests.cli.conftest import CONFIG, Said
from tests.cli.test_json_fields import listed

RIG = f"--rig {CONFIG}/rigs/workshop.toml"
A, D = (f"{CONFIG}/lamps/type-{stem}.toml" for stem in "ad")
Run = Callable[[str], Said]


def test_a_sound_lamp_is_accepted(run: Run, state: Path) -> None:
    said = run(f"bench accept {A} {RIG} --tours 2")
    assert said.status == 0
    assert said.out.startswith(
        '"Bench type A": ACCEPTED.\n0 of 21 trains went wrong: with 95% confidence at most 13.3%'
    )
    assert (state / "bench" / "type-a.accept.json").exists()


def test_the_figures_agree(run: Run, tmp_path: Path) -> None:
    said = run(f"bench accept {A} {RIG} --tours 1 --json --resume {tmp_path}/run.json").json
    assert said["accepted"] is True
    assert said["done"] == said["of"] == sum(entry["right"] for entry in said["log"])
    assert said["relay_cycles"] == sum(len(entry["pulses"]) for entry in said["log"])
    assert said["lowest_v"] == 11.0
    assert said["rate_bound"] == pytest.approx(1 - 0.05 ** (1 / said["trials"]))


def test_a_lamp_of_another_type_is_not(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lamp on the table is type E's, in whose order millpond is the sixth; the datasheet is type A's."""
    from sequencer.bench import rigstand
    from sequencer.datasheet import load_datasheet

    sheet = load_datasheet(CONFIG / "lamps" / "type-e.toml")
    simulated = rigstand._simulated
    monkeypatch.setattr(rigstand, "_simulated", lambda rig, _: simulated(rig, sheet))
    said = run(f"bench accept {A} {RIG} --resume {tmp_path}/run.json")
    assert said.status == 1
    assert "NOT ACCEPTED" in said.out
    assert "more would not change the verdict" in said.out
    assert "#8fa04a, no scene's" in said.out or "no scene's" in said.out


def test_broken_off_and_taken_up(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A real SIGINT in the middle; then the very command that it tells to type."""
    count = 0

    def interrupted(*given: object) -> object:
        nonlocal count
        count += 1
        if count == 12:
            os.kill(os.getpid(), signal.SIGINT)
        return answer(*given)  # type: ignore[arg-type]

    monkeypatch.setattr("sequencer.bench.drive.answer", interrupted)
    said = run(f"bench accept {A} {RIG} --tours 1 --resume {tmp_path}/run.json")
    assert said.status == 130
    assert '"Bench type A": broken off after ' in said.out
    kept = json.loads((tmp_path / "run.json").read_text())
    assert len(kept["log"]) == 11
    again = next(line for line in said.out.splitlines() if line.startswith("Next: lampstep "))
    said = run(again.removeprefix("Next: lampstep ") + " --json")
    assert said.status == 0
    assert said.json["done"] == said.json["of"]
    assert said.json["log"][:11] == kept["log"]
    assert said.json["seconds"] > kept["spent"]["seconds"]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (
            lambda text: text.replace('"bench": "accept"', '"bench": "measure"'),
            "no run of lampstep bench accept",
        ),
        (lambda text: text[: len(text) // 2], "no run of lampstep bench"),
        (lambda _: "[]", "no run of lampstep bench"),
        (lambda _: "{}", "no run of lampstep bench"),
        (lambda _: "[" * 100_000, "no run of lampstep bench"),
        (lambda text: text.replace('"pulses": [{', '"pulses": [{"x": 1}, {'), "no run of lampstep bench"),
    ],
)
def test_what_is_kept_and_does_not_belong(
    run: Run, tmp_path: Path, spoil: Callable[[str], str], words: str
) -> None:
    path = tmp_path / "run.json"
    run(f"bench accept {D} {RIG} --tours 1 --resume {path}")
    path.write_text(spoil(path.read_text()))
    said = run(f"bench accept {D} {RIG} --tours 1 --resume {path}")
    assert said.status == 2
    assert words in said.err


def test_other_options_or_another_lamp_begin_anew_in_another_file(run: Run, tmp_path: Path) -> None:
    run(f"bench accept {D} {RIG} --tours 1 --resume {tmp_path}/run.json")
    for line in (f"{D} {RIG} --tours 2", f"{D} {RIG} --tours 1 --seed 2", f"{A} {RIG} --tours 1"):
        said = run(f"bench accept {line} --resume {tmp_path}/run.json")
        assert said.status == 2
        assert "it was begun with another datasheet, rig or options" in said.err


def test_a_real_rig_asks_first(run: Run, tmp_path: Path) -> None:
    text = (CONFIG / "rigs" / "workshop.toml").read_text()
    text = text.replace('driver = "simulated"\nside', 'driver = "gpio"\npin = 17\nside')
    text = text[: text.index("[supply]")]
    text += '[supply]\ndriver = "fixed"\nvolts = 12.0\n[eyes]\ndriver = "operator"\n'
    (tmp_path / "rig.toml").write_text(text)
    said = run(f"bench accept {A} --rig {tmp_path}/rig.toml")
    assert said.status == 2
    assert "gets hot dry" in said.err
    assert "there is no terminal to ask" in said.err


def test_misfits_of_both_files_at_once(run: Run, tmp_path: Path) -> None:
    (tmp_path / "lamp.toml").write_text("[lamp]\nname = 3\n")
    (tmp_path / "rig.toml").write_text("[rig]\n")
    said = run(f"bench accept {tmp_path}/lamp.toml --rig {tmp_path}/rig.toml --json")
    assert said.status == 2
    assert any("lamp.toml" in line for line in said.json["errors"])
    assert any("rig.toml" in line for line in said.json["errors"])


def test_white_needs_a_sensor(run: Run) -> None:
    said = run(f"bench white {RIG}")
    assert said.status == 2
    assert '[eyes] driver = "simulated" needs no white: only a sensor does' in said.err


def test_white_prints_what_goes_into_the_rig_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Measured through a real pty; the printed lines make the rig file one that is calibrated."""
    from sequencer.bench.rigfile import SensorEyes, load_rig
    from sequencer.instruments.twins import SimulatedSensor

    text = (CONFIG / "rigs" / "workshop.toml").read_text()
    text = text.replace('driver = "simulated"\nside', 'driver = "gpio"\npin = 17\nside')
    text = (
        text[: text.index("[supply]")]
        + '[supply]\ndriver = "fixed"\nvolts = 12.0\n[eyes]\ndriver = "sensor"\n'
    )
    path = tmp_path / "rig.toml"
    with SimulatedSensor(lambda _: (612.0, 655.0, 701.0), noise=0.004) as twin:
        path.write_text(f'{text}port = "{twin.port}"\n')
        assert main(["bench", "white", "--rig", str(path)]) == 0
    lines = [
        line for line in capsys.readouterr().out.splitlines() if line.startswith(("white =", "spread ="))
    ]
    path.write_text(path.read_text() + "\n".join(lines) + "\n")
    eyes = load_rig(path).eyes
    assert isinstance(eyes, SensorEyes)
    assert eyes.white == pytest.approx((612.0, 655.0, 701.0), rel=0.01)
    assert eyes.spread is not None
    assert 0.1 < eyes.spread < 3


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("bench", "what of the bench? accept"),
        ("bench acept x", 'no bench command "acept": did you mean "accept"?'),
        ("bench accept", "no datasheet: name one"),
        ("bench accept x.toml", "--rig is missing"),
        ("bench accept x.toml --rig y.toml --tours 0", "must be a whole number from 1"),
        ("judge", "no capture: name one"),
        ("judge x.vcd", "--plan is missing"),
        ("judge x.vcd --plam y.json", 'no option "--plam": did you mean "--plan"?'),
    ],
)
def test_what_is_typed_wrong(run: Run, line: str, words: str) -> None:
    said = run(line)
    assert said.status == 2
    assert words in said.err


def test_docs_list_the_fields(run: Run, tmp_path: Path) -> None:
    said = run(f"bench accept {D} {RIG} --tours 1 --json --resume {tmp_path}/run.json").json
    assert list(said) == listed("bench accept")
    assert {tuple(entry) for entry in said["log"]} == {tuple(listed("bench accept", "entry field"))}


def test_docs_list_the_fields_of_judge(run: Run, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(run("plan LIDO --circuit lap-pool --scene evening --json").out)
    said = run(f"play LIDO --circuit plunge-pool --scene quiet --vcd {tmp_path}/edges.vcd")
    assert said.status == 0
    judged = run(f"judge {tmp_path}/edges.vcd --plan {tmp_path}/plan.json --signal due --json")
    assert list(judged.json) == listed("judge")
    assert judged.status == 1  # another circuit's train


def test_judge_follows_the_lamps_of_the_plan(run: Run, tmp_path: Path) -> None:
    """What play sent is judged by its own plan; by that of another scene it says that the plan is another."""
    line = "LIDO --circuit plunge-pool --scene"
    for scene in ("quiet", "festival"):
        (tmp_path / f"{scene}.json").write_text(run(f"plan {line} {scene} --json").out)
    assert run(f"play {line} quiet --vcd {tmp_path}/edges.vcd").status == 0
    judged = run(f"judge {tmp_path}/edges.vcd --plan {tmp_path}/quiet.json --signal due --json")
    assert (judged.status, judged.json["reasons"]) == (0, [])
    assert [tuple(lamp) for lamp in judged.json["lamps"]] == 3 * [tuple(listed("judge", "lamp field"))]
    assert [(lamp["ends_on"], lamp["certain"]) for lamp in judged.json["lamps"]] == 3 * [("reed bed", True)]
    other = run(f"judge {tmp_path}/edges.vcd --plan {tmp_path}/festival.json --signal due --json")
    assert other.status == 1
    assert not any(lamp["certain"] for lamp in other.json["lamps"])
    said = run(f"judge {tmp_path}/edges.vcd --plan {tmp_path}/quiet.json --signal due").out
    assert "3 of 3 lamps certainly end on their scene" in said


@pytest.mark.parametrize(
    "change",
    [
        {"start": "nowhere"},
        {"lamps": []},
        {"lamps": [{"lamp": "a"}]},
        {"lamps": None},
    ],
)
def test_judge_and_a_broken_basis(run: Run, tmp_path: Path, change: dict[str, object]) -> None:
    given = run("plan LIDO --circuit plunge-pool --scene quiet --json").json
    given["basis"].update(change)
    (tmp_path / "plan.json").write_text(json.dumps(given))
    (tmp_path / "c.vcd").write_text(
        "$timescale 1 us $end $var wire 1 ! c $end $enddefinitions $end\n#0\n1!\n#9\n"
    )
    said = run(f"judge {tmp_path}/c.vcd --plan {tmp_path}/plan.json")
    assert (said.status, "not what lampstep plan --json prints" in said.err) == (2, True)
