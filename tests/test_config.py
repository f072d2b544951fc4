"""The files in config/: models to copy, so they are sound, differ in kind and carry their cautions."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.automaton.guards import guards
from sequencer.datasheet import load_datasheet
from sequencer.doubts import doubts
from sequencer.planner import Plan, plan, request_for
from sequencer.sitefile import ModbusRelay, Pad, load_site

CONFIG = Path(__file__).parent.parent / "config"
SHEETS = sorted((CONFIG / "lamps").glob("*.toml"))
SITES = sorted(CONFIG.glob("*.toml"))


@pytest.fixture
def lido() -> Pad:
    return load_site(CONFIG / "quarry-lane.toml")


@pytest.fixture
def corner() -> Pad:
    return load_site(CONFIG / "bench-corner.toml")


@pytest.fixture
def line() -> Pad:
    return load_site(CONFIG / "serial-line.toml")


@pytest.mark.parametrize("path", SHEETS + SITES, ids=lambda p: p.stem)
def test_every_file_starts_with_what_it_is_and_its_cautions(path: Path) -> None:
    head = path.read_text(encoding="utf-8").split("\n[", 1)[0]
    for word in ("INVENTED", "CAUTION", "ains and water kill", "icensed", "ocal"):
        assert word in " ".join(head.split()), word


def test_the_datasheets_differ_in_kind() -> None:
    kinds = {
        path.stem: (sheet.lamp.selects_by, sheet.off.reset is not None, sheet.lamp.after_power_down)
        for path in SHEETS
        if (sheet := load_datasheet(path))
    }
    assert kinds == {
        "type-a": ("count", False, "remembered"),
        "type-b": ("count", True, "first"),
        "type-c": ("step", True, "remembered"),
        "type-d": ("step", False, "remembered"),
        "type-e": ("count", False, "remembered"),
    }


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
def test_every_scene_can_be_shown_and_compared(path: Path) -> None:
    scenes = load_datasheet(path).scenes
    assert all(scene.colour or (scene.colours and scene.period_s) for scene in scenes)
    assert any(scene.colours for scene in scenes)


def test_the_lido_has_nothing_to_doubt_but_its_regions_caution(lido: Pad) -> None:
    assert [doubt.where for doubt in doubts(lido)] == ["Quarry Lane lido"]


def test_the_bench_corners_only_doubt_is_the_lamp_that_never_forgets(corner: Pad) -> None:
    assert [doubt.where for doubt in doubts(corner)] == ["Quarry Lane bench corner", "one-way: type-d"]


def test_the_serial_lines_doubts_are_what_a_lost_line_does(line: Pad) -> None:
    assert [doubt.where for doubt in doubts(line)] == [
        "Quarry Lane children's pool",
        "shallows",
        "fountain",
    ]


def test_the_serial_lines_relays_are_two_coils_of_one_board(line: Pad) -> None:
    relays = [circuit.relay for circuit in line.circuits]
    assert [(r.line, r.baud, r.parity, r.unit, r.coil) for r in relays if isinstance(r, ModbusRelay)] == [
        ("adapter QL-0417", 19200, "even", 3, coil) for coil in (0, 1)
    ]


@pytest.mark.parametrize("circuit", ["shallows", "fountain"])
@pytest.mark.parametrize("scene", ["evening", "quiet"])
def test_the_serial_lines_spread_leaves_every_scene_within_reach(line: Pad, circuit: str, scene: str) -> None:
    assert isinstance(plan(request_for(line, circuit, scene)), Plan)


def test_all_scenes_of_the_sites_can_be_wanted_on_all_circuits(lido: Pad, corner: Pad, line: Pad) -> None:
    for pad in (lido, corner, line):
        for circuit in pad.circuits:
            for scene in pad.scenes:
                assert set(pad.wanted(circuit.name, scene.name)) == {lamp.name for lamp in circuit.lamps}


def test_the_lap_pools_types_part_on_short_breaks_and_on_the_reset(lido: Pad) -> None:
    """Some break type A counts and type C rides through; some resets C and is a mere off and on to A."""
    pad_s = lido.timing.margin_s + lido.circuit("lap-pool").relay.delays.spread_s
    a, c = (
        {window.name: window for window in guards(lido.datasheets[stem], pad_s).breaks}
        for stem in ("type-a", "type-c")
    )
    assert a["pulse"].first_ns <= c["ignored"].last_ns
    assert max(c["reset"].first_ns, a["power_down"].first_ns) <= c["reset"].last_ns
    codes = {
        scene.name: {lamp_scene.code for lamp_scene in lido.wanted("lap-pool", scene.name).values()}
        for scene in lido.scenes
    }
    assert codes == {"evening": {1, 2}, "quiet": {3}, "festival": {5, 7}, "clean-up": {1, 6}}


def test_the_twins_hear_the_same_and_are_asked_for_different_counts(corner: Pad) -> None:
    a, e = corner.datasheets["type-a"], corner.datasheets["type-e"]
    assert (a.off, a.on, len(a.scenes)) == (e.off, e.on, len(e.scenes))
    assert [scene.code for scene in corner.wanted("twins", "evening").values()] == [1, 6]
    assert [scene.code for scene in corner.wanted("twins", "quiet").values()] == [2, 2]


@pytest.mark.parametrize("path", SITES, ids=lambda p: p.stem)
def test_an_invented_site_lies_on_round_degrees(path: Path) -> None:
    """Nobody's real pool: figures that nobody measured."""
    site = load_site(path).site
    assert (site.latitude % 1, site.longitude % 1) == (0, 0)
