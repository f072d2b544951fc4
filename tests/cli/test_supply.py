"""``lampstep supply``, and what it changes about ``plan``: the weak corner, found and cured."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import supply as supply_command
from tests.cli.test_json_fields import listed

CONFIG = Path(__file__).parents[2] / "config"
WEAK = str(CONFIG / "weak-corner.toml")
Run = Callable[[str], Any]


@pytest.fixture
def cured(tmp_path: Path) -> str:
    """The weak corner on its next tap."""
    text = Path(WEAK).read_text(encoding="utf-8").replace("lamps/", f"{CONFIG}/lamps/")
    assert "\ntap = 12.0 " in text
    path = tmp_path / "cured.toml"
    path.write_text(text.replace("\ntap = 12.0 ", "\ntap = 13.0 "), encoding="utf-8")
    return str(path)


def test_the_weak_lamp_is_found_and_the_next_tap_cures_it(run: Run, cured: str) -> None:
    weak = run(f"supply {WEAK}")
    assert weak.status == 1
    assert 'NO: far-corner: lamp "weir" gets 10.44 V and wants at least 11 V' in weak.out
    assert "Next: isolate the supply, then take the tap of 13 V" in weak.out
    refused = run(f"plan {WEAK} --circuit far-corner --scene evening")
    assert refused.status == 1
    assert 'lamp "weir" may get only 10.44 V and wants at least 11 V' in refused.out
    assert (
        f"Next: see which tap or cable would do: lampstep supply {WEAK} --circuit far-corner" in refused.out
    )
    assert run(f"supply {cured}").status == 0
    asked = f"{cured} --circuit far-corner --scene evening"
    assert run(f"plan {asked}").status == 0
    assert run(f"rehearse {asked} --trials 50").status == 0


@pytest.mark.parametrize("wrong", [("primary_v = 120.0", "primary_v = 240.0"), ("119.0", "239.0")])
def test_on_a_wrong_primary_nothing_but_that_is_advised(
    run: Run, tmp_path: Path, wrong: tuple[str, str]
) -> None:
    """Half or twice the volts at every lamp: a lower tap or a thicker run would hide a fault of the mains side."""
    text = Path(WEAK).read_text(encoding="utf-8").replace("lamps/", f"{CONFIG}/lamps/")
    text = text.replace(*wrong).replace("primary_range_v", "# ")
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    said = run(f"supply {path}")
    assert said.status == 1
    (line,) = (line for line in said.out.splitlines() if line.startswith(("NO:", "doubt:")))
    assert "have a licensed electrician look at the primary's connections" in line
    assert "Next: switch off." in said.out
    assert "take " not in said.out
    assert "thicker" not in said.out


def test_what_if_says_the_same_as_the_file_would(run: Run, cured: str) -> None:
    if_so, is_so = run(f"supply {WEAK} --tap 13 --json").json, run(f"supply {cured} --json").json
    assert if_so == is_so


CHANGES = [
    "--tap 13 --conductor weir=12",
    "--tap 13 --add-lamp 'rock box=weir'",
    "--conductor 'deck box=6mm2' --tap 14",
]


@pytest.mark.parametrize("change", CHANGES)
def test_what_if(run: Run, change: str) -> None:
    plain, changed = run(f"supply {WEAK} --tap 13").out, run(f"supply {WEAK} {change}")
    assert changed.status == 0
    assert changed.out != plain


def test_a_lamp_too_many(run: Run) -> None:
    more = " ".join(["--add-lamp 'rock box=weir'"] * 3)
    said = run(f"supply {WEAK} --tap 13 {more}")
    assert said.status == 1
    assert "weir again again again" in said.out


def test_fields(run: Run) -> None:
    said = run(f"supply {WEAK} --json")
    assert said.status == 1
    assert list(said.json) == listed("supply")
    circuit = said.json["circuits"][0]
    assert list(circuit) == listed("supply", "circuit field")
    assert list(circuit["taps"][0]["cases"][0]) == listed("supply", "case field")
    assert (circuit["tap_v"], circuit["best_tap_v"], circuit["holds"]) == (12, 13, False)
    assert [finding["level"] for finding in circuit["findings"]] == ["short"]


def test_fields_of_the_volts_in_a_plan(run: Run, cured: str) -> None:
    planned = run(f"plan {cured} --circuit far-corner --scene evening --json").json
    assert list(planned) == [*listed("plan"), "volts"]
    assert all(list(lamp) == listed("Volts in a plan", "volts field") for lamp in planned["volts"])
    (moved,) = planned["volts"][0]["moved"]
    assert (moved["window"], moved["edge"], moved["from_s"]) == ("ignored", "ends", 0.02)
    assert 0 < moved["to_s"] < 0.02
    assert [lamp["slack_cost_s"] for lamp in planned["volts"]] == [0, 0, 0]


def test_a_plan_says_which_slack_the_volts_cost(run: Run, cured: str) -> None:
    """Capacitors four times as large carry a dim lamp through what its datasheet takes for a pulse."""
    site = Path(cured)
    sheet = (CONFIG / "lamps" / "type-a.toml").read_text(encoding="utf-8")
    (site.parent / "type-a.toml").write_text(sheet.replace("= 7e-3", "= 28e-3"), encoding="utf-8")
    text = site.read_text(encoding="utf-8").replace(f"{CONFIG}/lamps/type-a", "type-a")
    site.write_text(text, encoding="utf-8")
    asked = f"plan {cured} --circuit far-corner --scene evening"
    planned = run(f"{asked} --json").json
    pulse = next(move for move in planned["volts"][0]["moved"] if move["window"] == "pulse")
    assert pulse["edge"] == "begins"
    cost = (pulse["to_s"] - 0.12) / 0.97  # by a clock that may be 3 % slow
    assert [lamp["slack_cost_s"] for lamp in planned["volts"]] == [pytest.approx(cost)] * 3
    assert planned["pulses"][0]["off_s"] == pytest.approx(pulse["to_s"] / 0.97 + 0.036)
    assert f"{cost * 1000:.1f} ms" in run(asked).out


def test_on_a_terminal_lamps_have_the_colour_of_their_margin(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = run(f"supply {WEAK}").out
    assert "\x1b" not in plain
    monkeypatch.setattr(supply_command, "shows_colours", lambda: True)
    coloured = run(f"supply {WEAK}").out
    weir = next(line for line in coloured.splitlines() if "weir" in line)
    assert weir.startswith("\x1b[38;2;213;94;0m")  # what is short, as in the drawing
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain


def test_a_picture_is_a_new_file(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "tree.svg"
    said = run(f"supply {WEAK} --svg {path}")
    assert f"The drawing is in {path}." in said.out
    assert "weir" in path.read_text(encoding="utf-8")
    again = run(f"supply {WEAK} --svg {path}")
    assert (again.status, again.err) == (
        2,
        f"{path}: is there already: name a new file, or remove it first\n",
    )


BAD = {
    "supply LIDO": "says nothing of any supply: add [supply.lap-pool], as in docs/choosing-tap-and-cable.md",
    "supply LIDO --circuit plunge-pool": 'circuit "plunge-pool" has no supply: add [supply.plunge-pool]',
    f"supply {WEAK} --circuit far-crner": 'no circuit "far-crner": did you mean "far-corner"?',
    f"supply {WEAK} --tap 11": "far-corner: no tap of 11 V: the transformer has 12, 13, 14",
    f"supply {WEAK} --tap x": 'must be the volts of a tap, not "x"',
    f"supply {WEAK} --conductor 12": 'must be RUN=SIZE, not "12"',
    f"supply {WEAK} --conductor weir=11": 'far-corner: no conductor "11": there is AWG 18, 16',
    f"supply {WEAK} --add-lamp weir": 'must be NODE=LIKE, not "weir"',
    f"supply {WEAK} --add-lamp weir=weir": 'far-corner: no run leads to "weir"',
    f"supply {WEAK} --svg /nowhere/x.svg": "/nowhere/x.svg: cannot be written: No such file or directory",
}


@pytest.mark.parametrize("line", BAD)
def test_what_does_not_fit(run: Run, line: str) -> None:
    said = run(line)
    assert (said.status, said.out) == (2, "")
    assert BAD[line] in said.err
    assert said.err.count("\n") == 1


def test_with_several_supplies_a_change_wants_a_circuit(run: Run, tmp_path: Path) -> None:
    text = Path(WEAK).read_text(encoding="utf-8").replace("lamps/", f"{CONFIG}/lamps/")
    circuit = text[text.index("[[circuit]]") : text.index("[[scene]]")]
    path = tmp_path / "two.toml"
    path.write_text(
        text.replace("[[scene]]", circuit.replace("far-corner", "near") + "[[scene]]", 1), encoding="utf-8"
    )
    both = run(f"supply {path}")
    assert "far-corner on the tap" in both.out
    assert "near on the tap" in both.out
    said = run(f"supply {path} --tap 13")
    assert (said.status, said.err) == (
        2,
        '--circuit is missing: the site has supplies for "far-corner", "near"\n',
    )
    assert run(f"supply {path} --circuit near --tap 13").status == 0
