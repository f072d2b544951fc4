"""``check``: everything that is there, and doubts that change no exit status."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[[str], Any]


def test_the_object_lists_all_that_is_there(run: Run) -> None:
    said = run("check CORNER --json")
    assert (said.status, said.err) == (0, "")
    assert list(said.json) == ["site", "circuits", "datasheets", "scenes", "daemon", "doubts"]
    assert said.json["site"] == "Quarry Lane bench corner"
    assert [(c["circuit"], c["lamps"]) for c in said.json["circuits"]] == [
        ("one-way", [{"lamp": "carousel", "datasheet": "type-d"}]),
        ("twins", [{"lamp": "left", "datasheet": "type-a"}, {"lamp": "right", "datasheet": "type-e"}]),
    ]
    assert said.json["circuits"][0]["relay"] == {
        "driver": "simulated",
        "side": "secondary",
        "make_s": [0.005, 0.012],
        "break_s": [0.003, 0.008],
        "contact": "normally_closed",
        "rated_cycles": 100000,
    }
    assert said.json["datasheets"][0] == {
        "datasheet": "type-d",
        "name": "Bench type D",
        "selects_by": "step",
        "resets": False,
        "after_power_down": "remembered",
        "scenes": [
            {"code": 1, "name": "chalk"},
            {"code": 2, "name": "kingfisher"},
            {"code": 3, "name": "bracken"},
            {"code": 4, "name": "gloaming"},
        ],
    }
    assert said.json["scenes"][0] == {
        "scene": "evening",
        "picks": {"type-d": "kingfisher", "type-a": "millpond", "type-e": "millpond"},
    }


def test_doubts_are_told_and_the_status_stays_0(run: Run) -> None:
    said = run("check CORNER")
    assert (said.status, said.err) == (0, "")
    doubts = said.out.partition("\nDoubts\n")[2].partition("\n\n")[0].splitlines()
    assert [line.split(":")[0].strip() for line in doubts] == ["Quarry Lane bench corner", "one-way"]
    doubt = run("check CORNER --json").json["doubts"][1]
    assert doubt == {
        "where": "one-way: type-d",
        "what": "no break brings it to a known scene",
        "remedy": "say what each shows: --from carousel=SCENE",
    }
    assert doubts[1] == "  " + ": ".join(doubt.values())


def test_people_read_every_lamp_type_and_scene_and_what_to_do_next(
    run: Run, with_paths: Callable[[str], str]
) -> None:
    lines = [" ".join(line.split()) for line in run("check LIDO").out.splitlines()]
    for line in (
        with_paths("Quarry Lane lido (LIDO)"),
        'Circuit "plunge-pool": simulated relay in the secondary, normally closed, spread 6.0 ms either way',
        "south steps type-c",
        "type-b Bench type B counts breaks, 5 scenes, has a reset, goes to its first scene when long dark",
        "festival passing shower turning leaves drifting mist",
        "4 doubts: look into each of them before a train is sent.",
    ):
        assert line in lines
    assert lines[-1] == with_paths("Next: lampstep plan LIDO --circuit lap-pool --scene evening")


def test_starved_lamps_are_named_and_nothing_is_called_right(
    run: Run, site: Callable[..., str], with_paths: Callable[[str], str]
) -> None:
    """On the tap of 12 V the weir gets 10.44 V of its 11; on one of 16 V all three get more than their 15."""
    said = run("check WEAK")
    assert said.status == 0
    assert "Nothing is wrong" not in said.out
    assert said.out.splitlines()[-2:] == [
        '1 doubt: look into it before a train is sent. Too few volts: lamp "weir".',
        with_paths("Next: see which tap or cable would do: lampstep supply WEAK --circuit far-corner"),
    ]
    path = site(
        "WEAK", ("tap = 12.0 ", "tap = 16.0 "), ("{ volts = 12.0 },", "{ volts = 12.0 }, { volts = 16.0 },")
    )
    said = run(f"check {path}")
    assert said.status == 0
    assert 'Too many volts: lamps "bench", "grotto", "weir".' in said.out


def test_lamps_are_named_too_where_the_primary_is_at_fault(run: Run, site: Callable[..., str]) -> None:
    """A primary for 120 V on 277 V: the supply's advice speaks of nothing but that."""
    path = site(
        "WEAK",
        ("measured_primary_v = 119.0", "measured_primary_v = 277.0"),
        ("primary_range_v = [117.0, 123.0]", ""),
    )
    said = run(f"check {path}")
    assert 'Too many volts: lamps "bench", "grotto", "weir".' in said.out


def test_nothing_is_wrong_is_said_where_there_is_no_doubt(run: Run, site: Callable[..., str]) -> None:
    """That the trade's code applies is true of every site, and no doubt about this one."""
    said = run(f"check {site('WEAK', ('tap = 12.0 ', 'tap = 13.0 '))}")
    assert "\nNothing is wrong in these files.\nNext: lampstep plan " in said.out
    assert "NEC Article 680" in said.out


def test_a_site_without_orders_says_nothing_of_the_daemon(run: Run) -> None:
    assert run("check CORNER --json").json["daemon"] is None
    assert "lampstep serve" not in run("check CORNER").out


def test_people_read_what_the_daemon_will_do_by_itself(run: Run) -> None:
    lines = [" ".join(line.split()) for line in run("check LIDO").out.splitlines()]
    for line in (
        "plunge-pool occupied simulated",
        "Favourites: evening, quiet, festival.",
        "Between shows: lit, on the scene it was last on.",
        "A full train: at every start, after an outage once supply was steady for 20 s, every 24 h while lit.",
        "At most 120 relay cycles an hour.",
        "Quiet hours, without trains: 07:00-08:30.",
        "lap-pool festival 8 5.87 s in step for 22.5 s; sent again every 60 min, 8 cycles an hour",
        "late swim quiet lap-pool fri, sat 21:30 00:30",
        "winter repairs closed plunge-pool 2027-02-08..2027-02-19 - -",
    ):
        assert line in lines


def test_the_daemons_tables_as_fields(run: Run) -> None:
    found = run("check LIDO --json").json["daemon"]
    assert found["serve"]["quiet"] == ["07:00-08:30"]
    assert found["inputs"]["plunge-pool"]["switch"] is None
    assert found["inputs"]["lap-pool"]["sense"] == {"driver": "simulated", "pin": None, "active_high": False}
    assert found["outputs"]["lap-pool"]["indicator"]["driver"] == "simulated"
    assert [slot["start"] for slot in found["slots"]] == ["sunset-00:15", "21:30", "06:00"]
    assert found["exceptions"][0]["dates"] == ["2026-12-19", "2026-12-31..2027-01-01"]
    costs = {(each["circuit"], each["scene"]): each for each in found["upkeep"]}
    moving = costs["lap-pool", "festival"]
    assert (moving["relay_cycles"], moving["in_step_s"], moving["cycles_per_h"]) == (8, 22.5, 8.0)
    assert (moving["resent_every_s"], costs["lap-pool", "quiet"]["resent_every_s"]) == (3600.0, None)


def test_orders_that_do_not_fit_are_bad_input(run: Run, site: Callable[..., str]) -> None:
    path = site("LIDO", ('favourites = ["evening"', 'favourites = ["evning"'))
    said = run(f"check {path}")
    assert said.status == 2
    assert '[serve] favourites: no scene "evning": did you mean "evening"?' in said.err


def test_a_circuit_that_is_not_served_is_a_doubt(run: Run, site: Callable[..., str]) -> None:
    path = site("LIDO", ('contact = "normally_closed"', 'contact = "normally_open"'))
    said = run(f"check {path}")
    assert said.status == 0
    assert (
        "  plunge-pool: lampstep serve refuses it: the contact is normally open, so that a dead" in said.out
    )
    assert "Full trains" not in said.out


def test_a_pin_a_missing_pick_and_a_site_without_scenes(run: Run, site: Callable[..., str]) -> None:
    gpio = (
        'driver = "simulated"\nside = "secondary"                 #',
        'driver = "gpio"\npin = 17\nside = "secondary" #',
    )
    no_pick = ('type-b = "reed bed", ', "")
    said = run(f"check {site('LIDO', gpio, no_pick)}")
    assert said.status == 0
    assert 'Circuit "lap-pool": relay on pin 17 in the secondary' in said.out
    row = next(line for line in said.out.splitlines() if line.startswith("  quiet "))
    assert row.split() == ["quiet", "moss", "fern", "-"]
    assert run(f"check {site('LIDO', no_pick)} --json").json["scenes"][1]["picks"]["type-b"] is None


@pytest.fixture
def no_scenes(site: Callable[..., str]) -> str:
    path = Path(site("CORNER"))
    path.write_text(path.read_text(encoding="utf-8").partition("[[scene]]")[0], encoding="utf-8")
    return str(path)


def test_a_site_without_scenes_has_no_next_step(run: Run, no_scenes: str) -> None:
    said = run(f"check {no_scenes}")
    assert said.status == 0
    assert "Next" not in said.out
    assert "the site has no scenes" in said.out


def test_no_scene_can_be_asked_for_where_there_is_none(run: Run, no_scenes: str) -> None:
    said = run(f"plan {no_scenes} --circuit twins")
    assert (said.status, said.err) == (2, "--scene is missing: the site has none\n")
