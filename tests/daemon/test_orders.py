"""From a site file to the core's rules: each figure worked out by hand. Site and lamps are invented."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.daemon.orders import rules_for, scene_code
from sequencer.errors import InputError
from sequencer.sitefile import Pad, load_site

SHEET = """
[lamp]
name = "{name}"
selects_by = "{kind}"
after_power_down = "{after}"
clock_tolerance = {tolerance}
[off]
ignored = [0, 0.02]
pulse = [0.1, 2]
power_down = [{power_down}, inf]
[on]
same_train = [0.2, 1]
{on}
{scenes}
"""
SCENES = '[[scene]]\ncode = 1\nname = "rill"\n[[scene]]\ncode = 3\nname = "squall"\nperiod_s = {period}\n'
SITE = """
[site]
name = "two basins"
latitude = 59.9
longitude = 10.7
timezone = "Europe/Oslo"
region = "iec"
[timing]
margin_s = 0.04
max_flashes_per_s = 2
[serve]
resync_every_h = 6
wish_h = 2
{serve}
[inputs.deep]
switch = {{ driver = "simulated" }}
[[circuit]]
name = "deep"
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.006, 0.014]
break_s = [0.004, 0.008]
contact = "{contact}"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "a.toml"
[[circuit.lamp]]
name = "south"
datasheet = "b.toml"
[[scene]]
name = "rill"
[[scene]]
name = "squall"
[[scene]]
name = "elsewhere"
"""


def pad(folder: Path, *, contact: str = "normally_closed", serve: str = "", period_b: float = 20.0) -> Pad:
    count = SHEET.format(
        name="count",
        kind="count",
        after="remembered",
        tolerance=0.02,
        power_down=5,
        on="settled = [2, inf]",
        scenes=SCENES.format(period=20.0),
    )
    step = SHEET.format(
        name="step",
        kind="step",
        after="first",
        tolerance=0.05,
        power_down=4,
        on="warm_up = [3, inf]",
        scenes=SCENES.format(period=period_b).replace("code = 3", "code = 2"),
    )
    (folder / "a.toml").write_text(count)
    (folder / "b.toml").write_text(step)
    (folder / "site.toml").write_text(SITE.format(contact=contact, serve=serve))
    return load_site(folder / "site.toml", standing=True)


def test_by_hand(tmp_path: Path) -> None:
    site = pad(tmp_path)
    rules = rules_for(site, site.circuit("deep"))
    pad_s = 0.04 + (0.008 + 0.004) / 2  # the margin and the relay's spread
    assert rules.settle_s == pytest.approx(max(2 / 0.98, 3 / 0.95) + pad_s, abs=2e-9)
    assert rules.power_down_s == pytest.approx(max(5 / 0.98, 4 / 0.95) + pad_s, abs=2e-9)
    assert rules.cycle_s == 0.5
    assert rules.wanted == {"rill": {"north": 1, "south": 1}, "squall": {"north": 3, "south": 2}}
    assert rules.favourites == ("rill", "squall")
    assert [(lamp.name, lamp.after_power_down, lamp.codes) for lamp in rules.lamps] == [
        ("north", "remembered", (1, 3)),
        ("south", "first", (1, 2)),
    ]
    assert rules.in_step_s == {"squall": pytest.approx(0.1 * 20 / 0.07)}  # a tenth of the period, two clocks
    assert (rules.has_switch, rules.has_sense, rules.resync_s, rules.wish_s) == (True, False, 21600.0, 7200.0)


def test_lamps_of_different_periods_were_never_in_step(tmp_path: Path) -> None:
    site = pad(tmp_path, period_b=21.0)
    assert rules_for(site, site.circuit("deep")).in_step_s == {}


def test_favourites_that_a_lamp_lacks_are_left_out(tmp_path: Path) -> None:
    site = pad(tmp_path, serve='favourites = ["elsewhere", "squall"]')
    assert rules_for(site, site.circuit("deep")).favourites == ("squall",)


def test_a_contact_that_rests_open_is_not_served(tmp_path: Path) -> None:
    site = pad(tmp_path, contact="normally_open")
    with pytest.raises(
        InputError, match=r"deep: the contact is normally open.*: wire the lamps to the normally"
    ):
        rules_for(site, site.circuit("deep"))


def test_codes_by_name(tmp_path: Path) -> None:
    site = pad(tmp_path)
    deep = site.circuit("deep")
    assert scene_code(site, deep, "south", "squall") == 2
    for lamp, scene, words in (
        ("suoth", "rill", 'deep: no lamp "suoth": did you mean "south"?'),
        ("south", "rilll", 'deep: lamp "south": b has no scene "rilll": did you mean "rill"?'),
    ):
        with pytest.raises(InputError) as caught:
            scene_code(site, deep, lamp, scene)
        assert str(caught.value) == words


def test_without_the_daemons_tables_there_are_no_orders(tmp_path: Path) -> None:
    pad(tmp_path)
    bare = load_site(tmp_path / "site.toml")
    with pytest.raises(InputError, match="read without the tables of the daemon"):
        rules_for(bare, bare.circuit("deep"))


def test_no_re_sync_by_time(tmp_path: Path) -> None:
    site = pad(tmp_path)
    text = (tmp_path / "site.toml").read_text().replace("resync_every_h = 6", "resync_every_h = 10000")
    (tmp_path / "site.toml").write_text(text)
    again = load_site(site.path, standing=True)
    assert rules_for(again, again.circuit("deep")).resync_s == 36e6 < math.inf
