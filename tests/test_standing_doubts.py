"""Doubts about standing orders: each from one change to a site whose orders leave nothing to say.

Site and lamps are invented. The figures of cycles and years are arithmetic: shown beside each.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.cli.orders import kept_and_refused
from sequencer.daemon.orders import rules_for
from sequencer.doubts import FullTrain, Upkeep, standing_doubts
from sequencer.sitefile import load_site

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
SITE = """\
[site]
name = "basin"
latitude = 0
longitude = 0
timezone = "UTC"
region = "nec"
[serve]
favourites = ["rill", "weir"]
quiet = ["10:00-12:00"]
[inputs.deep]
switch = { driver = "simulated" }
sense = { driver = "simulated" }
[[slot]]
name = "late"
scene = "rill"
start = "20:00"
end = "22:00"
[[circuit]]
name = "deep"
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "count.toml"
[[circuit.lamp]]
name = "south"
datasheet = "count.toml"
[[scene]]
name = "rill"
[[scene]]
name = "weir"
"""
COUNT = """\
[lamp]
name = "count lamp"
selects_by = "count"
after_power_down = "remembered"
clock_tolerance = 0.025
[off]
ignored = [0, 0.02]
pulse = [0.12, 2.0]
reset = [6.5, 8.0]
power_down = [10.0, inf]
[on]
same_train = [0.15, 2.0]
settled = [3.5, inf]
[[scene]]
code = 1
name = "rill"
colour = "#0a7f8f"
[[scene]]
code = 2
name = "weir"
colour = "#8f7f0a"
"""
STEP = (
    COUNT.replace('"count"', '"step"')
    .replace("reset = [6.5, 8.0]\n", "")
    .replace("settled = [3.5, inf]\n", "")
)
MOVES = ('colour = "#8f7f0a"', 'period_s = 30\ncolours = ["#8f7f0a", "#0a7f8f"]')
"""Two lamps whose clocks err by 2.5 % part by 5 % of the time: a tenth of 30 s is apart after 60 s."""

CASES = {
    "no switch": (
        [('switch = { driver = "simulated" }\n', "")],
        (
            "deep: no switch input, so that the wall's switch tells the board nothing: "
            "right if that switch feeds the whole box; if not, wire [inputs.deep] switch"
        ),
    ),
    "no time to flick": (
        [("[serve]", "[serve]\nflick_s = 0.2")],
        (
            "deep: [serve] flick_s = 0.2 leaves a hand no time to flick the switch: "
            "off and on takes a few tenths of a second: leave it at 2"
        ),
    ),
    "no sense": (
        [('sense = { driver = "simulated" }\n', "")],
        (
            "deep: no sense of the supply, so that outages the board lives through go unseen: "
            "wire [inputs.deep] sense; without it only a re-sync every 24 h makes up for them"
        ),
    ),
    "nobody keeps trains off swimmers": (
        [('quiet = ["10:00-12:00"]\n', "")],
        (
            "deep: nothing keeps trains from darkening the water over people: "
            "say when they swim, [serve] quiet, or wire [inputs.deep] occupied"
        ),
    ),
    "one favourite": (
        [('["rill", "weir"]', '["weir"]')],
        (
            'deep: its only favourite is "weir": '
            "name two or more in [serve] favourites that all its lamps have, or a flick changes nothing"
        ),
    ),
    "the contact rests open": (
        [('"normally_closed"', '"normally_open"')],
        (
            "deep: lampstep serve refuses it: the contact is normally open, so that a dead board leaves the water "
            "dark: wire the lamps to the normally closed contact, then serve"
        ),
    ),
    "too few cycles allowed": (
        [("[serve]", "[serve]\nmax_cycles_per_h = 1")],
        (
            'deep: scene "weir": its full train takes 2 relay cycles, and max_cycles_per_h is 1: '
            "it is never sent: allow 2 at least"
        ),
    ),
    "a lamp that never forgets": (
        [(COUNT, STEP), ('[[scene]]\nname = "weir"\n', ""), ('["rill", "weir"]', '["rill", "rill"]')],
        (
            'deep: scene "rill": no full train reaches it, for "north" never forgets what it shows: '
            "after every start and outage say it: lampstep tell SITE north=SCENE south=SCENE"
        ),
    ),
    # 2 cycles an hour are 17532 a year of 8766 h; 50000 / 17532 = 2.85
    "worn out by re-syncs": (
        [("[serve]", "[serve]\nresync_every_h = 1"), ("100000", "50000")],
        (
            "deep: a re-sync every 60 min, 2 relay cycles each, uses up 50000 in 2.9 years: "
            "make resync_every_h longer, or take a relay that is rated for more"
        ),
    ),
    "out of step long before it is sent again": (
        [MOVES],
        (
            'deep: scene "weir": its lamps are out of step after 60 s, and it is sent again only every 60 min: '
            "take a still scene, or raise rephase_per_h at 2 relay cycles each"
        ),
    ),
    "never brought into step again": (
        [MOVES, ("[serve]", "[serve]\nrephase_per_h = 0")],
        (
            'deep: scene "weir": its lamps are out of step after 60 s, and it is never sent again: '
            "take a still scene, or raise rephase_per_h at 2 relay cycles each"
        ),
    ),
    # sent every minute, 120 cycles an hour
    "more than the cap on cycles": (
        [MOVES, ("[serve]", "[serve]\nrephase_per_h = 60\nmax_cycles_per_h = 100")],
        (
            'deep: scene "weir": keeping it in step takes 120 relay cycles an hour: '
            "max_cycles_per_h = 100 holds that back: lower rephase_per_h"
        ),
    ),
    # 120 cycles an hour, 4 h on each of 365.25 evenings: 175320 a year; 100000 / 175320 = 0.57
    "worn out by keeping in step": (
        [MOVES, ("[serve]", "[serve]\nrephase_per_h = 60")],
        (
            'deep: scene "weir": in step for 4 h an evening it uses up 100000 relay cycles in 0.6 years: '
            "lower rephase_per_h, or take a relay that is rated for more"
        ),
    ),
    # at noon today's is over
    "a show within the quiet hours": (
        [('"20:00"', '"10:30"'), ('"22:00"', '"11:30"')],
        (
            "calendar: late: quiet hours cover the whole show on 365 of its 365 days in the year to come: "
            "no train is sent for it then: move one or the other"
        ),
    ),
    "a clock believed without word": (
        [("[serve]", "[serve]\ntrust_clock_after_s = 60")],
        (
            "basin: [serve] trust_clock_after_s = 60 believes the clock without word from a time service: "
            "keep it only on a board with a clock chip; any other begins its shows by a wrong time"
        ),
    ),
}


def told(folder: Path, *changes: tuple[str, str]) -> list[str]:
    """All doubts after replacing text in whichever of the two files holds it."""
    files = {"site.toml": SITE, "count.toml": COUNT}
    for old, new in changes:
        assert any(old in text for text in files.values()), old
        files = {name: text.replace(old, new) for name, text in files.items()}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    pad = load_site(folder / "site.toml", standing=True)
    return [str(doubt) for doubt in standing_doubts(pad, *kept_and_refused(pad), NOW)]


def test_orders_about_which_there_is_nothing_to_say(tmp_path: Path) -> None:
    assert told(tmp_path) == []


@pytest.mark.parametrize(("changes", "expected"), CASES.values(), ids=CASES)
def test_one_doubt(tmp_path: Path, changes: list[tuple[str, str]], expected: str) -> None:
    assert told(tmp_path, *changes) == [expected]


def test_a_show_that_goes_on_after_the_quiet_hours_gets_its_train_then(tmp_path: Path) -> None:
    assert told(tmp_path, ('"20:00"', '"10:30"'), ('"22:00"', '"12:01"')) == []


def test_a_site_without_orders_is_not_doubted(tmp_path: Path) -> None:
    orders = SITE[SITE.index("[serve]") : SITE.index("[[circuit]]")]
    assert told(tmp_path, (orders, "")) == []


def test_what_keeping_in_step_costs_is_what_the_core_does(tmp_path: Path) -> None:
    told(tmp_path, MOVES)
    pad = load_site(tmp_path / "site.toml", standing=True)
    rules = rules_for(pad, pad.circuits[0])
    kept = Upkeep(rules._replace(rephase_per_h=30.0), {"weir": FullTrain(2), "rill": FullTrain(1)})
    assert (kept.resent_every_s("weir"), kept.cycles_per_h("weir")) == (120.0, 60.0)
    assert kept.cycles_per_h("rill") == 0.0
