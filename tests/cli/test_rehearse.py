"""``rehearse``: all matched is 0; a train that does not hold is told with the trial to repeat."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sequencer.cli import rehearse as rehearse_command
from sequencer.sim.rehearsal import rehearse

Run = Callable[[str], Any]

QUIET = "rehearse LIDO --circuit lap-pool --scene quiet --trials 25 --seed 7"


@pytest.fixture
def spoiled(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second edge of every train comes far too late."""

    def late(*args: Any, **options: Any) -> Any:
        return rehearse(*args, **options, late_commands={1: 2.0})

    monkeypatch.setattr(rehearse_command, "rehearse", late)


def test_all_matched(run: Run) -> None:
    said = run(f"{QUIET} --json")
    assert (said.status, said.err) == (0, "")
    total_s = run("plan LIDO --circuit lap-pool --scene quiet --json").json["total_s"]
    assert said.json == {
        "circuit": "lap-pool",
        "scene": "quiet",
        "trials": 25,
        "matched": 25,
        "seed": 7,
        "total_s": total_s,
        "lamps": [
            {"lamp": lamp, "datasheet": stem, "ends_on": scene, "code": 3, "missed": 0}
            for lamp, stem, scene in (
                ("north", "type-a", "moss"),
                ("north steps", "type-c", "fern"),
                ("middle", "type-a", "moss"),
                ("south", "type-a", "moss"),
                ("south steps", "type-c", "fern"),
            )
        ],
        "first_failing_seed": None,
        "details": [],
    }


@pytest.mark.parametrize(
    "start", ["", "--from-dark", "--after-cut", "--from north=moss --from 'south steps=fern'"]
)
def test_from_wherever_the_lamps_are(run: Run, start: str) -> None:
    said = run(f"{QUIET} {start}")
    assert said.status == 0
    assert said.out.startswith(
        'lap-pool to "quiet" on simulated pads, seed 7: 25 of 25 ended with every lamp on its scene.\n'
    )


@pytest.mark.usefixtures("spoiled")
def test_a_train_that_does_not_hold_is_told_with_the_trial_to_repeat(
    run: Run, with_paths: Callable[[str], str]
) -> None:
    found = run(f"{QUIET} --json")
    assert found.status == 1
    assert found.json["matched"] < 25
    assert sum(lamp["missed"] for lamp in found.json["lamps"]) > 0
    seed = found.json["first_failing_seed"]
    assert found.json["details"][0].startswith(f"trial {seed}: ")
    text = run(QUIET)
    assert text.status == 1
    again = f"rehearse LIDO --circuit lap-pool --scene quiet --trials 1 --seed {seed}"
    assert text.out.splitlines()[-1] == with_paths(
        f"Next: do not send this train. That trial alone: lampstep {again}"
    )
    alone = run(f"{again} --json").json
    assert (alone["matched"], alone["details"]) == (0, found.json["details"])


def test_without_a_train_the_refusal_is_that_of_plan(run: Run) -> None:
    asked = "CORNER --circuit one-way --scene evening"
    for json in ("", "--json"):
        assert run(f"rehearse {asked} {json}") == run(f"plan {asked} {json}")
    assert run(f"rehearse {asked}").status == 1
