"""The planner in its own process: the same train as here, reasons kept apart from faults."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from sequencer.core.actions import PlanTrain
from sequencer.daemon import planning
from sequencer.daemon.planning import PlannedTrain, PlannerFault, plan_apart
from sequencer.planner import Plan, plan, request_for
from sequencer.sitefile import load_site
from sequencer.train import Delays

if TYPE_CHECKING:
    from pytest_mock import MockerFixture

CONFIG = Path(__file__).parents[2] / "config"
LIDO = CONFIG / "quarry-lane.toml"
DELAYS = Delays((0.010, 0.020), (0.010, 0.012))


def codes(site: Path, circuit: str) -> dict[str, int]:
    return {lamp: scene.code for lamp, scene in load_site(site).wanted(circuit, "evening").items()}


EVENING = PlanTrain(1, "evening", "cut", {}, "", codes(LIDO, "plunge-pool"))


def test_the_same_train_as_here_with_the_delays_given() -> None:
    site = load_site(LIDO)
    request = request_for(site, "plunge-pool", "evening", {"ladder": "flint"}, "rest")
    here = plan(request._replace(delays=DELAYS))
    assert isinstance(here, Plan)
    code = site.datasheets["type-b"].scene_by_name("flint")
    assert code is not None
    asked = EVENING._replace(start="rest", known={"ladder": code.code})
    assert plan_apart(LIDO, "plunge-pool", asked, DELAYS) == PlannedTrain(here.train, here.tolerance_s)


def test_a_refusal_is_its_reason() -> None:
    corner = CONFIG / "bench-corner.toml"
    asked = EVENING._replace(codes=codes(corner, "one-way"))
    found = plan_apart(corner, "one-way", asked, DELAYS)
    assert isinstance(found, str)
    assert "never forgets" in found


def test_a_site_file_that_has_gone_bad_is_a_reason_too(tmp_path: Path) -> None:
    found = plan_apart(tmp_path / "gone.toml", "deep", EVENING, DELAYS)
    assert isinstance(found, str)
    assert "no such file" in found


@pytest.mark.parametrize(
    ("old", "new"),
    [('type-b = "tarn"', 'type-b = "flint"'), ('name = "ledge"', 'name = "shelf"')],
    ids=["another scene of the lamps", "another lamp"],
)
def test_a_site_file_that_was_changed_is_not_planned_by(tmp_path: Path, old: str, new: str) -> None:
    """The daemon would believe of the lamps what its own site file says."""
    path = tmp_path / "lido.toml"
    text = LIDO.read_text().replace('"lamps/', f'"{CONFIG}/lamps/')
    path.write_text(text.replace(old, new))
    found = plan_apart(path, "plunge-pool", EVENING._replace(known={"ledge": 2}), DELAYS)
    assert found == f"{path}: was changed since the daemon started: restart the daemon"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("/nonexistent/python",), "the planner could not be run"),
        (("/bin/false",), r"the planner failed \(exit status 1\)"),
        (("/bin/sh", "-c", "echo worn out >&2; exit 3"), r"the planner failed \(worn out\)"),
        (("/bin/echo", "nonsense"), "the planner could not be run"),
        (("/bin/echo", "[]"), "the planner could not be run"),
    ],
)
def test_a_planner_that_fails_is_a_fault(command: tuple[str, ...], words: str, mocker: MockerFixture) -> None:
    mocker.patch.object(planning, "COMMAND", command)
    with pytest.raises(PlannerFault, match=words):
        plan_apart(LIDO, "plunge-pool", EVENING, DELAYS)


def test_a_planner_that_never_answers_is_a_fault(mocker: MockerFixture) -> None:
    mocker.patch.object(planning, "COMMAND", ("/bin/sleep", "60"))
    mocker.patch.object(planning, "LIMIT_S", 0.01)
    with pytest.raises(PlannerFault, match="did not answer within"):
        plan_apart(LIDO, "plunge-pool", EVENING, DELAYS)
