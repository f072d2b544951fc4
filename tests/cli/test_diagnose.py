"""diagnose and sense as they are typed: answers, exit statuses, and every line for what is typed wrongly."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[[str], Any]

LAP = "diagnose LIDO --circuit lap-pool"
SEEN = f"{LAP} --sent quiet --saw north=moss middle=moss"


def test_a_lamp_one_short(run: Run) -> None:
    said = run(f"{SEEN} south=slate")
    assert said.status == 0
    assert 'lamp "south" gets too few volts' in said.out
    assert "never defeat a GFCI or RCD" in said.out


def test_further_trains_are_looked_at_in_order(run: Run) -> None:
    found = run(f"{SEEN} south=slate --sent evening --saw south=slate --json").json
    assert [look["saw"] for look in found["looks"]] == [
        {"north": "moss", "middle": "moss", "south": "slate"},
        {"south": "slate"},
    ]
    kinds = [cause["kind"] for cause in found["explanations"][0]["groups"][0]]
    assert {"stuck", "ride_through", "cord"} <= set(kinds)
    assert found["next_within"]["doing"] == "measure"


def test_all_as_sent(run: Run) -> None:
    found = run(f"{SEEN} south=moss --json").json
    assert found["explanations"][0]["groups"][0][0]["kind"] == "nothing"
    assert (found["as_sent"], found["steps"], found["next"], found["next_within"]) == (True, [], None, None)
    assert run(f"{SEEN} south=slate --json").json["as_sent"] is False


def test_all_as_sent_is_said_plainly_and_no_more(run: Run) -> None:
    said = run(f'{SEEN} south=moss "north steps=fern" "south steps=fern"')
    assert (said.status, said.out) == (0, "lap-pool: all as sent: every lamp shows its scene.\n")
    said = run(f"{SEEN} south=moss")
    assert said.out == (
        'lap-pool: all as sent: every lamp that you looked at shows its scene. Not looked at: "north steps", '
        '"south steps".\n'
    )
    twice = "--sent evening --saw north=millpond middle=millpond"
    assert run(f"{SEEN} south=moss {twice}").out.startswith("lap-pool: all as sent")
    assert "all as sent" not in run(f"{SEEN} south=slate {twice} south=millpond").out


def test_all_as_sent_on_volts_that_are_not_right(run: Run) -> None:
    """Type A wants 11 to 15 V."""
    asked = "diagnose WEAK --circuit far-corner --sent quiet --saw bench=moss grotto=moss weir=moss"
    assert "\n" not in run(f"{asked} --volts weir=11.0 --volts bench=15.0").out.strip()
    said = run(f"{asked} --volts weir=10.4 --volts bench=15.2 --volts grotto=12")
    assert said.status == 0
    assert said.out.splitlines()[1:-1] == [
        'But lamp "weir" got 10.4 V, and wants 11 to 15 V: it may not follow the next train.',
        'But lamp "bench" got 15.2 V, and wants 11 to 15 V: it may not follow the next train.',
    ]
    assert said.out.splitlines()[-1].startswith("Next: see which tap or cable would do: lampstep supply ")


def test_volts_count(run: Run) -> None:
    found = run(f"{SEEN} south=dark --volts south=0.1 --json").json
    assert found["explanations"][0]["groups"][0][0]["kind"] == "cord"
    found = run(f"{SEEN} south=dark --volts south=12.6 --json").json
    assert found["explanations"][0]["groups"][0][0]["kind"] == "dead"


def test_a_folder_of_datasheets(run: Run) -> None:
    """Lichen is a scene of type E alone, which no lamp of the site is said to be."""
    folder = Path(__file__).parents[2] / "config" / "lamps"
    said = run(f"{SEEN} south=lichen")
    assert said.status == 2
    found = run(f"{SEEN} south=lichen --lamps {folder} --json").json
    assert found["explanations"][0]["groups"][0][0]["other"] == "type-e"


WRONG = {
    "diagnose LIDO --sent quiet --saw north=moss": [
        '--circuit is missing: the site has "lap-pool", "plunge-pool"'
    ],
    LAP: ["--sent is missing: which scene of the site was sent?"],
    f"{LAP} --sent quiet": [
        "--sent quiet: --saw is missing: what did the lamps show? (LAMP=SCENE, LAMP=dark)"
    ],
    f"{LAP} --sent quite --saw north=moss": ['quarry-lane.toml: no scene "quite": did you mean "quiet"?'],
    f"{LAP} --sent quiet --saw nort=moss": ['lap-pool: no lamp "nort": did you mean "north"?'],
    f"{LAP} --sent quiet --saw north=mos": [
        'lap-pool: lamp "north": no datasheet has a scene "mos": did you mean "moss"?'
    ],
    f"{LAP} --sent quiet --saw north=moss north=slate": [
        '--saw (look 1): lamp "north" is given twice: give it once'
    ],
    f"{SEEN} --volts sout=11": ['lap-pool: no lamp "sout": did you mean "south"?'],
    f"{SEEN} --volts south=many": [
        'lampstep diagnose: argument --volts: must be LAMP=V, not "south=many"; lampstep diagnose --help tells more'
    ],
    f"{SEEN} --lamps nowhere": ["--lamps nowhere: no datasheets (.toml) there"],
    "sense WEAK --scene quiet": [
        "far-corner: no meter reads its current: add [sense.far-corner] to weak-corner.toml, or type --amps"
    ],
    "sense LIDO --circuit lap-pool --scene quiet --amps 3": [
        "lap-pool: what its lamps should draw is unknown: add [supply.lap-pool] to quarry-lane.toml"
    ],
    "sense WEAK --amps 3": ['--scene is missing: the site has "evening", "quiet"'],
}


@pytest.mark.parametrize("line", WRONG)
def test_what_is_typed_wrongly(run: Run, line: str) -> None:
    said = run(line)
    assert (said.status, said.err.splitlines()) == (2, WRONG[line])


def test_sense_by_a_clamp_meter(run: Run) -> None:
    assert run("sense WEAK --scene quiet --amps 4.15").status == 0
    said = run("sense WEAK --scene quiet --amps 2.7")
    assert said.status == 1
    assert 'lamp "weir" is dark' in said.out
    assert "ONE conductor" in said.out


def test_sense_by_the_sites_meter(run: Run, site: Callable[..., str]) -> None:
    table = '[sense.far-corner]\ndriver = "simulated"\namps = 4.15\n[[scene]]\nname = "evening"'
    path = site("WEAK", ('[[scene]]\nname = "evening"', table))
    found = run(f"sense {path} --scene quiet --json").json
    assert (found["amps"], found["matched"]) == (4.15, True)


def test_sense_tables_that_are_wrong(run: Run, site: Callable[..., str]) -> None:
    for table, line in (
        ('driver = "simulated"', "[sense] far-corner: amps is missing"),
        ('driver = "modbus"\nunit = 3\nregister = 6', "must have either serial_number"),
        ('driver = "modbus"\nport = "/dev/tty"\nunit = 3', "register"),
        (
            'driver = "simulated"\namps = 1.0\n[sense.near]\ndriver = "simulated"\namps = 1.0',
            'no circuit "near"',
        ),
    ):
        text = f'[sense.far-corner]\n{table}\n[[scene]]\nname = "evening"'
        said = run(
            f"check {site('WEAK', ('[[scene]]' + chr(10) + 'name = ' + chr(34) + 'evening' + chr(34), text))}"
        )
        assert said.status == 2
        assert line in said.err
