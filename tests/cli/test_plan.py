"""``plan``: the object's fields exactly, the text's figures and next step, refusals."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from typing import Any

import pytest

from sequencer.cli import plan as plan_command
from sequencer.planner import Refusal

Run = Callable[[str], Any]

ONE_WAY = "plan CORNER --circuit one-way --scene evening"
FROM_CHALK = f"{ONE_WAY} --from carousel=chalk"


def test_one_step_as_reckoned_by_hand(run: Run) -> None:
    """Type D steps on a break of 0.2 s and more; its clock may be 5 % slow, the relay's spread is 6 ms.

    off = 0.2 / 0.95 + 0.03 + 0.006; supply until it has certainly noticed that it is lit, 0.5 / 0.95 + 0.036; slack is
    the margin.
    """
    said = run(f"{FROM_CHALK} --json")
    assert (said.status, said.err) == (0, "")
    off_s, total_s = 0.246526316, 0.808842106  # whole nanoseconds, rounded to the safe side
    planned = said.json
    del planned["basis"]  # the datasheets, for judge
    assert planned == {
        "circuit": "one-way",
        "scene": "evening",
        "proved": True,
        "lead_in_s": 0.0,
        "pulses": [{"off_s": off_s, "on_s": pytest.approx(total_s - off_s, abs=1e-12)}],
        "total_s": pytest.approx(total_s, abs=1e-12),
        "dark_s": off_s,
        "relay_cycles": 1,
        "lamps": [
            {
                "lamp": "carousel",
                "datasheet": "type-d",
                "ends_on": "kingfisher",
                "code": 2,
                "slack_s": 0.03,
                "tightest": {"break": 1, "part": "off", "window": "pulse", "limit_s": 0.2},
            }
        ],
    }


def test_one_step_in_words(run: Run, with_paths: Callable[[str], str]) -> None:
    said = run(FROM_CHALK)
    assert (said.status, said.err) == (0, "")
    assert said.out == with_paths(
        """one-way to "evening", from rest: every lamp lit and settled

  supply =____________________============================================>
         = on   _ off   one column is about 0.01 s

  break   off s    on s
      1   0.247   0.562

  1 break in 0.81 s, dark for 0.25 s

  lamp       ends on            slack   tightest
  carousel   kingfisher (2)   30.0 ms   break 1: pulse begins at 0.2 s

Proved: every lamp of these types ends there, and no shorter train can do it for certain.
It costs 1 of the relay's 100000 rated cycles.
Next: clear the water, then lampstep play CORNER --circuit one-way --scene evening --from carousel=chalk
"""
    )


PLAN_FIELDS = [
    "circuit",
    "scene",
    "proved",
    "lead_in_s",
    "pulses",
    "total_s",
    "dark_s",
    "relay_cycles",
    "lamps",
    "basis",
]
LAMP_FIELDS = ["lamp", "datasheet", "ends_on", "code", "slack_s", "tightest"]


@pytest.mark.parametrize("start", ["", "--from-dark", "--after-cut"])
@pytest.mark.parametrize("scene", ["evening", "quiet", "clean-up"])
@pytest.mark.parametrize("circuit", ["lap-pool", "plunge-pool"])
def test_sums_fields_and_their_order(run: Run, circuit: str, scene: str, start: str) -> None:
    found = run(f"plan LIDO --circuit {circuit} --scene {scene} {start} --json").json
    assert list(found) == PLAN_FIELDS
    pulses = [(p["off_s"], p["on_s"]) for p in found["pulses"]]
    assert found["total_s"] == pytest.approx(sum(off + on for off, on in pulses), abs=1e-12)
    assert found["dark_s"] == pytest.approx(sum(off for off, _ in pulses), abs=1e-12)
    assert found["relay_cycles"] == len(pulses)
    assert (found["lead_in_s"] > 0) == (start != "")
    for lamp in found["lamps"]:
        assert list(lamp) == LAMP_FIELDS
        at = lamp["tightest"]
        if not pulses:
            assert (at, lamp["slack_s"]) == (None, None)
            continue
        assert list(at) == ["break", "part", "window", "limit_s"]
        assert 1 <= at["break"] <= len(pulses)
        assert lamp["slack_s"] >= 0.03 - 1e-9


def test_nothing_need_be_sent(run: Run) -> None:
    line = f"{ONE_WAY} --from carousel=kingfisher"
    found = run(f"{line} --json").json
    assert (found["pulses"], found["total_s"], found["relay_cycles"]) == ([], 0, 0)
    assert (found["lamps"][0]["slack_s"], found["lamps"][0]["tightest"]) == (None, None)
    said = run(line)
    assert said.status == 0
    assert "Nothing to send: every lamp is on its scene already." in said.out.splitlines()
    assert "Next" not in said.out


def test_lamps_that_come_back_on_the_scene_by_themselves(run: Run) -> None:
    said = run("plan LIDO --circuit plunge-pool --scene evening --from-dark")
    assert said.status == 0
    assert said.out.splitlines()[-1] == "With supply again they come back on it by themselves."


def test_a_lead_in_is_drawn_and_told(run: Run) -> None:
    text = run("plan LIDO --circuit plunge-pool --scene evening --after-cut").out
    assert text.startswith('plunge-pool to "evening", after a cut: nothing is known')
    lead_in = run("plan LIDO --circuit plunge-pool --scene evening --after-cut --json").json["lead_in_s"]
    assert f"  first {lead_in:.1f} s of supply (the lead-in)" in text.splitlines()


def test_the_next_step_can_be_typed_as_it_stands(run: Run, with_paths: Callable[[str], str]) -> None:
    """Names with spaces included: it is again this very request."""
    line = (
        "plan LIDO --circuit lap-pool --scene quiet --from 'north steps=fern' --from north=moss --from-dark"
    )
    step = run(line).out.splitlines()[-1].partition("then lampstep play ")[2]
    assert shlex.split(step) == shlex.split(with_paths(line))[1:]


def test_types_that_cannot_be_parted(run: Run, with_paths: Callable[[str], str]) -> None:
    said = run("plan CORNER --circuit twins --scene evening --json")
    assert (said.status, said.err) == (1, "")
    assert list(said.json) == ["circuit", "scene", "proved", "pulses", "reason", "nearest"]
    reason = said.json.pop("reason")
    assert {**said.json, "reason": ""} == {
        "circuit": "twins",
        "scene": "evening",
        "proved": True,
        "pulses": None,
        "reason": "",
        "nearest": {"type-a": "slate", "type-e": "slate"},
    }
    text = run("plan CORNER --circuit twins --scene evening")
    assert text.status == 1
    assert text.out.splitlines() == [
        'No train: twins cannot be brought to "evening" for certain.',
        f"Why: {reason}.",
        'Nearest in colour that can be had: type-a on "slate", type-e on "slate".',
        with_paths(
            'Next: send scene "quiet", which is just that: lampstep plan CORNER --circuit twins --scene quiet'
        ),
    ]


def test_a_nearest_choice_that_no_scene_has_comes_as_toml(run: Run, site: Callable[..., str]) -> None:
    path = site("CORNER", ('type-a = "slate", type-d = "bracken"', 'type-a = "moss", type-d = "bracken"'))
    lines = run(f"plan {path} --circuit twins --scene evening").out.splitlines()
    assert lines[-4:] == [
        "Next: to have that, add a scene to site.toml:",
        "  [[scene]]",
        '  name = "..."',
        '  picks = { type-a = "slate", type-e = "slate" }',
    ]


def test_a_lamp_that_never_forgets(run: Run, with_paths: Callable[[str], str]) -> None:
    said = run(f"{ONE_WAY} --json")
    assert said.status == 1
    assert said.json["nearest"] is None
    assert "--from carousel=SCENE" in said.json["reason"]
    last = run(ONE_WAY).out.splitlines()[-1]
    assert last == with_paths(
        "Next: do what the reason says, then look for other doubts: lampstep check CORNER"
    )


def test_a_search_cut_short_says_that_there_may_be_a_train(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    given_up = Refusal("gave up after 7 states", None, proved=False)
    monkeypatch.setattr(plan_command, "plan", lambda *_: given_up)
    said = run(ONE_WAY)
    assert said.status == 1
    assert said.out.startswith('No train found that brings one-way to "evening"; there may be one.\n')
    assert run(f"{ONE_WAY} --json").json["proved"] is False


def test_a_train_not_proved_the_shortest_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    found = plan_command.plan
    monkeypatch.setattr(plan_command, "plan", lambda *asked: found(*asked)._replace(proved=False))
    said = run(FROM_CHALK)
    assert said.status == 0
    assert (
        "Every lamp of these types ends there; the search was cut short, so a shorter train may exist."
        in said.out
    )


def test_the_only_circuit_need_not_be_named(run: Run) -> None:
    said = run("plan WEAK --scene quiet")
    assert said.out.startswith('No train: far-corner cannot be brought to "quiet" for certain.')
    assert run("plan LIDO --scene quiet").status == 2
    assert run("diagnose WEAK --sent quiet --saw bench=moss").status == 0
