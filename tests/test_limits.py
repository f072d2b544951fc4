"""The flash limit and the limit of darkness: one place that every train goes through on its way to a relay."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import sequencer
from sequencer.errors import InputError
from sequencer.player.job import Job, check, job_from_json, job_to_json
from sequencer.player.process import play
from sequencer.train import Delays, Limits, Pulse, Train

SPEC = {"driver": "simulated", "contact": "normally_closed"}


def test_the_defaults_are_those_of_the_published_criterion() -> None:
    """WCAG 2.2, success criterion 2.3.1: no more than three flashes in any one second."""
    assert Limits().max_flashes_per_s == 3
    assert Limits().refusal([Pulse(0.15, 1 / 3 - 0.15)] * 9) is None
    assert Limits().refusal([Pulse(0.15, 0.17)]) is not None


@given(
    st.lists(st.tuples(st.floats(0.01, 30), st.floats(0.01, 5)), max_size=8),
    st.floats(0.05, 3),
    st.floats(1, 25),
)
def test_a_train_is_refused_exactly_when_a_flash_comes_too_soon_or_a_break_is_too_long(
    lengths: list[tuple[float, float]], flashes: float, dark_s: float
) -> None:
    """Openings of this train and the next one, which may follow at once, are never closer than the limit."""
    train = Train(tuple(Pulse(*each) for each in lengths))
    job = Job(train, Delays(), SPEC, limits=Limits(flashes, dark_s))
    openings = [edge.due_s for edge in train.edges() if not edge.closed] + [train.total_s]
    apart = [b - a for a, b in zip(openings, openings[1:], strict=False)]
    if all(each >= 1 / flashes for each in apart) and all(off <= dark_s for off, _ in lengths):
        check(job)
    elif any(each < 1 / flashes - 1e-5 for each in apart) or any(off > dark_s + 1e-5 for off, _ in lengths):
        with pytest.raises(InputError, match="this train is not sent: break"):
            check(job)
    assert job_from_json(job_to_json(job)).limits == job.limits


def test_the_parent_refuses_before_a_player_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sequencer.player.process.COMMAND", ("/nowhere",))
    with pytest.raises(InputError, match=r"max_flashes_per_s = 3 wants at least 0\.333 s"):
        play(Train((Pulse(0.1, 0.1),)), Delays(), SPEC)
    with pytest.raises(InputError, match="max_dark_s = 20 allows no longer one"):
        play(Train((Pulse(20.5, 1.0),)), Delays(), SPEC)


def test_a_log_of_before_there_were_limits_is_still_read() -> None:
    given = job_to_json(Job(Train((Pulse(0.5, 1.0),)), Delays(), SPEC))
    del given["limits"]
    assert job_from_json(given).limits == Limits()


def test_nothing_else_opens_a_relay() -> None:
    """Whoever calls ``open_relay`` or a relay's ``set(False)``: the player, and the daemon that holds lamps dark.

    The others open a relay only to see that it is there, which leaves it closed.
    """
    root = Path(sequencer.__file__).parent
    calls: set[str] = set()
    for path in root.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            opens = any(isinstance(arg, ast.Constant) and arg.value is False for arg in node.args)
            sets = isinstance(node.func, ast.Attribute) and node.func.attr == "set" and opens
            if sets or (isinstance(node.func, ast.Name) and node.func.id == "play_edges"):
                calls.add(str(path.relative_to(root)))
    assert calls == {"daemon/contacts.py", "player/child.py", "bench/simulated.py"}
