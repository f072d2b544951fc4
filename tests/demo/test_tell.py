"""The story: the same for the same seed, and every train in it keeps its promise for any seed."""

from __future__ import annotations

from importlib import resources
from itertools import islice
from pathlib import Path

import pytest

from sequencer.demo import lido
from sequencer.demo.lido import load_lido
from sequencer.demo.story import Step, summed
from sequencer.demo.tell import FLICKS, tell
from sequencer.errors import InputError
from sequencer.planner import Refusal, plan, request_for

THUMB, CUT = 1, 4
SENT = {
    0: ("lap-pool", "evening"),
    2: ("lap-pool", "evening"),
    3: ("lap-pool", "festival"),
    5: ("plunge-pool", "quiet"),
}


def test_the_steps_in_their_order(story: tuple[Step, ...]) -> None:
    assert [(step.circuit, step.title, step.after) for step in story] == [
        ("lap-pool", "Dusk at the lap pool", "5 of 5 lamps are on their scene."),
        ("lap-pool", "A nervous thumb on the switch", "0 of 5 lamps are on their scene."),
        ("lap-pool", "Re-sync", "5 of 5 lamps are on their scene."),
        ("lap-pool", "One train steers two types at once", "5 of 5 lamps are on their scene."),
        ("plunge-pool", "The mains fail while a train is sent", "2 of 3 lamps are on their scene."),
        ("plunge-pool", "After the cut", "3 of 3 lamps are on their scene."),
        ("twins", "An honest no", ""),
    ]


def test_the_same_seed_tells_the_same_story_and_another_another(story: tuple[Step, ...]) -> None:
    first = tuple(islice(tell(*load_lido(), seed=1), 3))
    assert first == story[:3]
    assert tuple(islice(tell(*load_lido(), seed=2), 3)) != first


def test_the_trains_are_the_planners_own(story: tuple[Step, ...]) -> None:
    site, _ = load_lido()
    for number, step in enumerate(story):
        if number in SENT:
            circuit, scene = SENT[number]
            start = "cut" if circuit == "plunge-pool" else "rest"
            assert step.plan == plan(request_for(site, circuit, scene, start=start))
        else:
            assert step.plan is None


def test_lamps_begin_apart_and_a_thumb_parts_them_again(story: tuple[Step, ...]) -> None:
    dusk = story[0].strip
    assert dusk is not None
    assert all(lane.shown[0][1] != lane.wanted for lane in dusk.lanes)
    thumb = story[THUMB].strip
    assert thumb is not None
    assert len(thumb.supply) == FLICKS + 1
    assert all(lane.shown[0][1] == lane.wanted for lane in thumb.lanes)
    assert thumb.matched < len(thumb.lanes)


def test_one_train_is_heard_in_two_ways(story: tuple[Step, ...]) -> None:
    """By the windows of the datasheets: C rides through up to 0.3 s, A counts from 0.12 s; C's reset is to A a
    plain off and on."""
    assert [(heard.by["type-a"], heard.by["type-c"]) for heard in story[3].heard] == [
        ("plain off and on", "back to its first scene"),
        ("counts 1", "rides through"),
        ("counts 2", "steps on"),
        ("counts 3", "steps on"),
        ("counts 4", "steps on"),
        ("counts 5", "steps on"),
        ("counts 6", "rides through"),
        ("counts 7", "rides through"),
    ]


def test_a_train_sent_before_is_not_told_again(story: tuple[Step, ...]) -> None:
    assert story[2].plan == story[0].plan
    assert [len(step.heard) for step in story] == [2, 0, 0, 8, 0, 2, 0]


def test_the_summary(story: tuple[Step, ...]) -> None:
    summary = summed(story)
    slacks = [
        proof.slack_s for step in story if step.plan for proof in step.plan.lamps if proof.slack_s is not None
    ]
    assert (summary.trains, summary.matched, summary.lamps) == (4, 18, 18)
    assert summary.tightest.slack_s == min(slacks)
    assert (summary.circuit, summary.tightest.lamp) == ("lap-pool", "north")
    assert summary.where == "supply after break 2: settled begins at 3.5 s"


def test_the_refusal_is_the_planners_own(story: tuple[Step, ...]) -> None:
    _, corner = load_lido()
    found = plan(request_for(corner, "twins", "evening"))
    assert isinstance(found, Refusal)
    assert story[-1].refusal == found
    assert story[-1].words.endswith('"evening" asks for scene 1 of "left" and scene 6 of "right":')


@pytest.mark.parametrize("seed", range(2, 22))
def test_every_train_matches_every_lamp(seed: int) -> None:
    steps = list(islice(tell(*load_lido(), seed), 6))
    sent = [step.strip for step in steps if step.plan is not None and step.strip is not None]
    assert [(strip.matched, len(strip.lanes)) for strip in sent] == [(5, 5), (5, 5), (5, 5), (3, 3)]


def test_the_sites_are_found_in_an_installed_package(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    checkout = Path(str(resources.files("sequencer"))).parent
    package = tmp_path / "sequencer"
    package.mkdir()
    (package / "config").symlink_to(checkout / "config")
    monkeypatch.setattr(lido.resources, "files", lambda _: package)
    site, corner = load_lido()
    assert site.path == package / "config" / "quarry-lane.toml"
    assert corner.path == package / "config" / "bench-corner.toml"


def test_sites_that_were_not_installed_along_are_bad_input(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(lido.resources, "files", lambda _: tmp_path / "sequencer")
    with pytest.raises(InputError, match="the demo's site files are not there: install lampstep again"):
        load_lido()
