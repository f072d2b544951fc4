"""What a lamp gets at least and at most: the same to ``supply``, ``plan`` and ``check``, and never outside of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import product
from pathlib import Path
from random import Random
from typing import Any

import pytest

from sequencer.cli.main import main
from sequencer.doubts import doubts
from sequencer.planner import Refusal, plan, request_for
from sequencer.sitefile import Pad
from sequencer.supply.advise import LIMITS, advise
from sequencer.supply.extremes import emf_at, extremes
from sequencer.supply.feed import Feed, feed_of, network_of, primary_of, va_of, with_tap
from sequencer.supply.solve import solve
from tests.supply.sites import Change, pad, write

Say = Callable[..., tuple[int, Any]]
KNOWN: Change = ("code = 2\n", "code = 2\nwatts = 30\n")
"""Every scene says what it draws; the dimmest one draws 15 W."""


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Say:
    def said(*words: str) -> tuple[int, Any]:
        status = main([*words, "--json"])
        return status, json.loads(capsys.readouterr().out)

    return said


# Neither lamp gets too many volts at full watts, alone or not. In the dimmest scene each of them does.
DIM: dict[str, tuple[Change, ...]] = {
    "a datasheet's 14.2 V": (
        KNOWN,
        ("tap = 12\n", "tap = 13\n"),
        ("[11, 15]", "[10, 14.2]"),
        ("= 15\n", "= 5\n"),
    ),
    "15 V of NEC 680.2": (
        KNOWN,
        ("tap = 12\n", "tap = 14\n"),
        ("[11, 15]", "[9, 16]"),
        ("watts = 30", "watts = 60"),
    ),
}


@pytest.mark.parametrize("name", DIM)
def test_a_tap_that_is_too_high_for_dim_scenes_alone_is_not_approved(
    tmp_path: Path, say: Say, name: str
) -> None:
    site = str(write(tmp_path, *DIM[name]))
    status, said = say("supply", site)
    (circuit,) = said["circuits"]
    (tap,) = (tap for tap in circuit["taps"] if tap["tap_v"] == circuit["tap_v"])
    limit = 14.2 if "14.2" in name else 15.0
    full = [lamp for case in tap["cases"] if case["load"] != "dim" for lamp in case["lamps"]]
    assert max(lamp["volts"] for lamp in full) < limit
    assert (status, circuit["holds"], tap["holds"]) == (1, False, False)
    assert any(f"{limit:g} V" in found["what"] for found in circuit["findings"])
    assert circuit["best_tap_v"] < circuit["tap_v"]
    assert any(f"{limit:g} V" in doubt["what"] for doubt in say("check", site)[1]["doubts"])


def test_dim_scenes_are_held_against_the_datasheet_by_plan(tmp_path: Path, say: Say) -> None:
    site = str(write(tmp_path, *DIM["a datasheet's 14.2 V"]))
    status, said = say("plan", site, "--circuit", "deep", "--scene", "rill")
    assert status == 1
    assert "more than its 14.2 V (alone in its dimmest scene, 126 V on the primary)" in said["reason"]


def drawn(rng: Random) -> tuple[Change, ...]:
    """A site of two lamps: any tap, mains, cables, watts, range of volts; scenes with and without watts."""
    full = rng.choice([12, 30, 60])
    dim = rng.choice(["", f"watts = {full / rng.choice([1, 2, 6]):g}\n"])
    least = rng.choice([9, 10.5, 11.5])
    region = rng.choice(["nec", "nec", "iec"])
    found: list[Change] = [
        ('region = "nec"', f'region = "{region}"'),
        ("tap = 12\n", f"tap = {rng.choice([12, 13, 14])}\n"),
        ("regulation = 0.05", f"regulation = {rng.choice([0.02, 0.05, 0.12])}"),
        ("length_m = 6", f"length_m = {rng.choice([2, 6, 15, 60])}"),
        ("length_ft = 30", f"length_ft = {rng.choice([5, 30, 90])}"),
        ("watts = 30", f"watts = {full}"),
        ("power_factor = 0.92", f"power_factor = {rng.choice([0.5, 0.8, 0.92, 1])}"),
        ("volts = [11, 15]", f"volts = [{least}, {rng.choice([13, 14.2, 15, 16])}]"),
        ("watts = 15\n", dim),
        ("code = 2\n", f"code = 2\n{rng.choice(['', f'watts = {full}'])}\n"),
    ]
    if rng.random() < 0.5:
        found.append(("va = 300", f"va = 300\nmeasured_primary_v = {rng.choice([112, 118, 125, 133, 150])}"))
    if rng.random() < 0.3:
        found.append(("amps = 15", "amps = 7"))
    return tuple(found)


def drawn_pad(tmp_path: Path, seed: int) -> tuple[Pad, Feed]:
    found = pad(tmp_path, *drawn(Random(seed)))
    feed = feed_of(found, "deep")
    assert feed is not None
    return found, feed


@pytest.mark.parametrize("seed", range(120))
def test_plan_supply_and_check_name_the_same_lamps(tmp_path: Path, seed: int) -> None:
    site, feed = drawn_pad(tmp_path, seed)
    advice = advise(feed)
    outside = ("gets", "cannot be fed")

    def named(lines: list[str], about: tuple[str, ...]) -> set[str]:
        return {
            name
            for line in lines
            for name in feed.sheets
            if f'lamp "{name}" ' in line and any(words in line for words in about)
        }

    by_supply = named([found.what for found in advice.findings if "NEC 680.2" not in found.what], outside)
    by_check = named([doubt.what for doubt in doubts(site) if "NEC 680.2" not in doubt.what], outside)
    by_plan = named(list(request_for(site, "deep", "rill").short), ("may get", "cannot be fed"))
    assert by_supply == by_check == by_plan
    found = plan(request_for(site, "deep", "rill"), 2000)
    mismatch = any("measured on a primary for" in f.what and f.level == "refused" for f in advice.findings)
    if by_plan or mismatch:
        assert isinstance(found, Refusal)
        assert not advice.holds
    assert mismatch or by_plan == {*advice.in_use.short, *advice.in_use.over}
    if any("NEC 680.2" in finding.what for finding in advice.findings):
        assert not advice.in_use.holds


@pytest.mark.parametrize("seed", range(120))
def test_the_tap_that_is_advised_keeps_every_limit(tmp_path: Path, seed: int) -> None:
    """NEC 680.2 at the lamp, IEC 60364-7-702 at the tap, the datasheet; as ``plan`` reckons them on that tap."""
    _, feed = drawn_pad(tmp_path, seed)
    best = advise(feed).best
    if best is None:
        return
    moved = with_tap(feed, best.tap_v)
    limit = LIMITS[feed.region][0]
    for lamp in extremes(moved).values():
        low, high = lamp.allowed_v
        assert low - 1e-8 <= lamp.least_v <= lamp.greatest_v <= high + 1e-8
        assert feed.region == "iec" or lamp.greatest_v <= limit + 1e-8
    assert feed.region == "nec" or best.tap_v <= limit
    assert advise(moved).in_use.holds


def test_drawn_sites_are_of_all_kinds(tmp_path: Path) -> None:
    """So that the two tests above have something to compare."""
    kinds = set()
    for seed in range(120):
        advice = advise(drawn_pad(tmp_path, seed)[1])
        kinds.add((bool(advice.in_use.short), bool(advice.in_use.over), advice.best is None))
    assert len(kinds) >= 6


@pytest.mark.parametrize("seed", range(60))
def test_whatever_is_lit_dim_or_off_a_lamp_gets_nothing_outside_its_extremes(
    tmp_path: Path, seed: int
) -> None:
    """Each lamp off, in each scene, or at full watts; each of five primaries between low and high."""
    _, feed = drawn_pad(tmp_path, seed)
    network, primary, found = network_of(feed), primary_of(feed), extremes(feed)
    if min(lamp.least_v for lamp in found.values()) == 0:
        return  # collapsed
    ways = []
    for load in network.loads:
        sheet = feed.sheets[load.name]
        assert sheet.electrical is not None
        full = sheet.electrical.watts
        watts = {0.0, full, *(scene.watts or 0.01 * full for scene in sheet.scenes)}
        ways.append([(load.name, va_of(each, sheet.electrical.power_factor)) for each in watts])
    for on in product(*ways):
        for part in (0, 0.25, 0.5, 0.75, 1):
            volts = primary.low_v + part * (primary.high_v - primary.low_v)
            flow = solve(network, emf_at(feed, network, volts), va=dict(on), keep_lit=True)
            for load in network.loads:
                if dict(on)[load.name]:
                    lamp = found[load.name]
                    assert lamp.least_v - 1e-9 <= flow.volts_at(load) <= lamp.greatest_v + 1e-9


@pytest.mark.parametrize("seed", range(30))
def test_more_watts_anywhere_are_fewer_volts_everywhere(seed: int) -> None:
    """Drawn trees of six lamps: what the extremes rest on."""
    from tests.supply.trees import drawn_tree

    rng = Random(seed)
    network = drawn_tree(rng, 6, drop=0.2)
    va = {load.name: load.va * rng.choice([0, 0.3, 1]) for load in network.loads}
    before = solve(network, va=va, keep_lit=True)
    for name, takes in va.items():
        more = va | {name: takes + va_of(rng.uniform(0.1, 5), rng.uniform(0.5, 1))}
        after = solve(network, va=more, keep_lit=True)
        assert not before.dark
        assert not after.dark
        for load in network.loads:
            assert after.volts_at(load) <= before.volts_at(load) + 1e-9
