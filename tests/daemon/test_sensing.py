"""A meter beside the daemon: read once after a train that held; told, written down, and nothing believed for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sequencer.core import events as on
from sequencer.daemon.sensing import Sensing
from tests.served import Served

CONFIG = Path(__file__).parents[2] / "config"
CIRCUIT = "far-corner"


def site(folder: Path, sense: str) -> Path:
    """The far corner on the tap that does, with a meter."""
    text = (CONFIG / "weak-corner.toml").read_text(encoding="utf-8")
    text = text.replace("tap = 12.0 ", "tap = 13.0 ").replace('"lamps/', f'"{CONFIG}/lamps/')
    path = folder / "corner.toml"
    path.write_text(f"{text}\n[sense.{CIRCUIT}]\n{sense}\n", encoding="utf-8")
    return path


@pytest.fixture
def served(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> Iterator[tuple[Served, list[Callable[[], None]]]]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    it = Served(site(tmp_path, request.param))
    waiting: list[Callable[[], None]] = []
    sensing = Sensing(it.pad, it._mail.append, lambda _, work: waiting.append(work))
    it.daemon._ports = it.daemon._ports._replace(sense=sensing)
    yield it, waiting
    it.close()


def matched_on(it: Served, scene: str) -> None:
    it.daemon.take(CIRCUIT, on.Asked(it.clock.now(), scene))
    it.daemon.take(CIRCUIT, on.ResyncAsked(it.clock.now()))
    it.wait(600.0)
    assert it.daemon.statuses()[0].matched


def reasons(it: Served) -> str:
    return " | ".join(it.daemon.statuses()[0].reasons)


def notes(it: Served) -> list[str]:
    return [str(detail["text"]) for kind, _, detail in it.journal if kind == "note"]


# Three lamps of 15 W at 0.92, on a tap of 13 V at 119 V: 48.9 VA at some 13 V are a little under 4 A.
@pytest.mark.parametrize("served", ['driver = "simulated"\namps = 3.8'], indirect=True)
def test_a_current_that_fits(served: tuple[Served, list[Callable[[], None]]]) -> None:
    it, waiting = served
    matched_on(it, "quiet")
    assert "A were read" not in reasons(it)
    waiting.pop()()
    it.wait(1.0)
    assert "3.80 A were read" in reasons(it)
    assert "contradicts" not in reasons(it)
    assert [note for note in notes(it) if "3.80 A were read" in note]


@pytest.mark.parametrize("served", ['driver = "simulated"\namps = 2.55'], indirect=True)
def test_a_current_that_contradicts_changes_no_belief(
    served: tuple[Served, list[Callable[[], None]]],
) -> None:
    it, waiting = served
    matched_on(it, "quiet")
    before = it.daemon.states[CIRCUIT].known
    waiting.pop()()
    it.wait(1.0)
    assert "the current contradicts" in reasons(it)
    assert 'lamp "weir" is dark' in reasons(it)
    assert it.daemon.states[CIRCUIT].known == before


@pytest.mark.parametrize("served", ['driver = "simulated"\namps = 2.55'], indirect=True)
def test_a_reading_that_comes_after_the_next_scene_is_dropped(
    served: tuple[Served, list[Callable[[], None]]],
) -> None:
    it, waiting = served
    matched_on(it, "quiet")
    late = waiting.pop()
    matched_on(it, "evening")
    late()
    it.wait(1.0)
    assert "contradicts" not in reasons(it)
    assert not [note for note in notes(it) if "contradicts" in note]


SERIAL = 'driver = "modbus"\nport = "/dev/nowhere"\nunit = 5\nregister = 6'


@pytest.mark.parametrize("served", [SERIAL], indirect=True)
def test_a_meter_that_cannot_be_read_is_said(served: tuple[Served, list[Callable[[], None]]]) -> None:
    it, waiting = served
    matched_on(it, "quiet")
    waiting.pop()()
    it.wait(1.0)
    assert "meter on unit 5, register 6 (/dev/nowhere): could not be read" in reasons(it)
