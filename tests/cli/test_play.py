"""``play``: asked before, played by a stand-in on a virtual clock (once by the real player), judged after."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from sequencer.cli import play as play_command
from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError
from sequencer.player.job import PlayResult
from sequencer.player.loop import BrokenOff, edges_beyond, play_edges
from sequencer.relay.simulated import SimulatedRelay
from sequencer.train import Delays, Limits, Train

Run = Callable[[str], Any]

STEP = "CORNER --circuit one-way --scene evening --from carousel=chalk"
QUIET = "LIDO --circuit lap-pool --scene quiet"
LAMPS = ["north", "north steps", "middle", "south", "south steps"]


class Clock(VirtualClock):
    """Late by what ``late`` says for each wait, and broken off in the wait numbered ``broken``."""

    def __init__(self, late: Mapping[int, float], broken: int | None) -> None:
        super().__init__()
        self._late, self._broken, self._waits = late, broken, 0

    def sleep_until(self, deadline: float) -> None:
        if self._waits == self._broken:
            raise BrokenOff("a hand")
        super().sleep_until(deadline + self._late.get(self._waits, 0.0))
        self._waits += 1


class Stage(NamedTuple):
    """What the stand-in was told, and how it is to go."""

    sent: list[tuple[Train, Mapping[str, object], tuple[float, ...]]]
    go: dict[str, Any]


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> Stage:
    on = Stage([], {})

    def play(
        train: Train,
        delays: Delays,
        relay: Mapping[str, object],
        bounds: tuple[float, ...],
        *,
        limits: Limits,
        keep: Path,
    ) -> PlayResult:
        assert limits == Limits(max_flashes_per_s=3, max_dark_s=20)
        on.sent.append((train, relay, bounds))
        if "error" in on.go:
            raise on.go["error"]
        clock = Clock(on.go.get("late", {}), on.go.get("broken"))
        contact = SimulatedRelay(
            now=clock.now, before=on.go.get("before"), rests_closed=relay["contact"] == "normally_closed"
        )
        until_s = train.lead_in_s + train.total_s
        log = play_edges(train.edges(), delays, contact, clock, until_s=until_s)
        keep.parent.mkdir(parents=True, exist_ok=True)
        keep.write_text("{}")
        return PlayResult(log, 5.0, 1.8e9, edges_beyond(log, bounds), on.go.get("notes", ()))

    monkeypatch.setattr(play_command, "play", play)
    return on


@pytest.fixture
def real(site: Callable[..., str]) -> str:
    """A step of one lamp, whose relay is on a pin."""
    path = Path(site("CORNER"))
    text = path.read_text(encoding="utf-8").replace('"simulated"', '"gpio"\npin = 17', 1)
    path.write_text(text, encoding="utf-8")
    return f"{path}{STEP.removeprefix('CORNER')}"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


# -- how it goes and what it comes to --------------------------------------------------------------


def test_the_object_is_the_plans_and_how_the_edges_went(run: Run, stage: Stage, state: Path) -> None:
    said = run(f"play {QUIET} --json")
    planned = run(f"plan {QUIET} --json").json
    assert said.status == 0
    for lamp in planned["lamps"]:
        lamp["may_show"] = [lamp["ends_on"]]
    train, relay, bounds = stage.sent[0]
    assert relay["driver"] == "simulated"
    assert bounds == (0.015,) * 8  # half the least slack at each end of a length
    assert said.json == {
        **planned,
        "outcome": "finished",
        "detail": "",
        "spoiled": False,
        "worst_late_s": pytest.approx(0.0, abs=1e-9),
        "edges_beyond": [],
        "edges": [
            {
                "due_s": edge.due_s,
                "command_due_s": pytest.approx(edge.due_s - (0.0085 if edge.closed else 0.0055)),
                "commanded_s": pytest.approx(edge.due_s - (0.0085 if edge.closed else 0.0055)),
                "confirmed_s": pytest.approx(edge.due_s - (0.0085 if edge.closed else 0.0055)),
                "closed": edge.closed,
            }
            for edge in train.edges()
        ],
        "rested_s": pytest.approx(train.total_s),
        "started_unix_s": 1.8e9,
        "notes": [],
        "log": str(state / "Quarry%20Lane%20lido" / "lap-pool.json"),
        "vcd": None,
    }


def test_people_read_how_the_edges_went_and_what_the_lamps_are_on(
    run: Run, stage: Stage, state: Path, with_paths: Callable[[str], str]
) -> None:
    stage.go.update(late={3: 0.004}, notes=("memory was not locked",))
    look = with_paths("lampstep diagnose LIDO --circuit lap-pool")
    said = run(f"play {QUIET}")
    assert said.status == 0
    assert said.err == (
        "The relay of lap-pool is simulated: nothing real is switched.\n"
        "Sending: 9.9 s. Ctrl-C breaks it off.\n"
    )
    assert (
        said.out
        == f"""lap-pool to "quiet": sent, and every edge came in time for every lamp.
Worst edge: 4 of 8, 4.000 ms late.

  lamp          is now on
  north         moss
  north steps   fern
  middle        moss
  south         moss
  south steps   fern

Note: memory was not locked.
The edges are kept in {state}/Quarry%20Lane%20lido/lap-pool.json.
Next: look at every lamp. If one does not show its scene: {look} --sent quiet --saw LAMP=SCENE
"""
    )


def test_a_spoiled_train_is_the_honest_no(run: Run, stage: Stage, with_paths: Callable[[str], str]) -> None:
    """The fourth edge 2 s late: the second break is far longer than a pulse of either type."""
    stage.go.update(late={3: 2.0})
    found = run(f"play {QUIET} --json")
    assert (found.status, found.json["outcome"], found.json["spoiled"]) == (1, "finished", True)
    assert found.json["edges_beyond"][0] == 4
    assert any(len(lamp["may_show"]) > 1 for lamp in found.json["lamps"])
    said = run(f"play {QUIET}")
    assert said.status == 1
    assert said.out.startswith('lap-pool to "quiet": sent, but spoiled: ')
    assert said.out.splitlines()[-1] == with_paths(
        f"Next: clear the water, then lampstep play {QUIET} --after-cut"
    )


def test_broken_off_is_130_and_says_where_the_relay_is(run: Run, stage: Stage) -> None:
    stage.go.update(broken=3)
    found = run(f"play {QUIET} --json")
    assert (found.status, found.json["outcome"]) == (130, "broken off")
    assert len(found.json["edges"]) == 3
    assert run(f"play {QUIET}").out.startswith(
        'lap-pool to "quiet": broken off (a hand after 3 of 8 edges). The relay is at rest.\n'
    )


def test_a_relay_that_fails_in_the_train_is_3(run: Run, stage: Stage) -> None:
    moves = iter([None, None, OSError("stuck")])

    def fail(_closed: bool) -> None:
        if (error := next(moves, None)) is not None:
            raise error

    stage.go.update(before=fail)
    said = run(f"play {QUIET}")
    assert said.status == 3
    assert said.out.startswith(
        'lap-pool to "quiet": failed (simulated relay: stuck after 1 of 8 edges). The relay is at rest.\n'
    )


def test_a_relay_that_cannot_be_had_is_3(run: Run, stage: Stage, tmp_path: Path) -> None:
    stage.go.update(error=HardwareError("relay on pin 17: cannot be opened"))
    said = run(f"play {QUIET} --json --vcd {tmp_path}/a.vcd")
    assert (said.status, said.json) == (3, {"errors": ["relay on pin 17: cannot be opened"]})
    assert not (tmp_path / "a.vcd").exists()


def test_a_lamp_that_may_be_on_anything_is_told_as_such(run: Run, stage: Stage) -> None:
    """Broken off at once, in a break too short for any lamp to notice: all are where they were, unknown."""
    stage.go.update(broken=1)
    rows = [" ".join(line.split()) for line in run(f"play {QUIET}").out.splitlines()]
    assert [f"{lamp} any of its scenes" for lamp in LAMPS] == rows[rows.index("lamp is now on") + 1 :][:5]


def test_nothing_need_be_sent_and_nothing_is(run: Run, stage: Stage, tmp_path: Path) -> None:
    line = f"play {STEP.replace('chalk', 'kingfisher')}"
    found = run(f"{line} --json --vcd {tmp_path}/a.vcd").json
    assert (found["pulses"], found["edges"], found["outcome"], found["spoiled"]) == (
        [],
        [],
        "finished",
        False,
    )
    assert (found["worst_late_s"], found["log"], found["started_unix_s"], found["vcd"]) == (
        None,
        None,
        None,
        None,
    )
    assert run(line).out == 'one-way to "evening": Nothing to send: every lamp is on its scene already.\n'
    assert stage.sent == []


def test_without_a_train_the_refusal_is_that_of_plan(run: Run, stage: Stage) -> None:
    asked = "CORNER --circuit one-way --scene evening"
    for as_json in ("", "--json"):
        assert run(f"play {asked} {as_json}") == run(f"plan {asked} {as_json}")
    assert stage.sent == []


# -- before it is sent -----------------------------------------------------------------------------


CAUTIONS = [
    "one-way is about to flash: 1 break in 0.81 s, dark for 0.25 s.",
    "Flashing light can bring on a seizure: whoever may be prone to that looks away.",
    "Keep a light on that is not on this circuit, and follow your local code.",
]
QUESTION = "Is the water clear of people? Type yes to send the train: "


@pytest.mark.parametrize("answer", ["yes\n", "Yes \n", " YES\n"])
def test_a_real_relay_is_asked_for(
    run: Run, stage: Stage, real: str, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    said = run(f"play {real}")
    assert said.status == 0
    assert said.err.splitlines() == [*CAUTIONS, f"{QUESTION}Sending: 0.8 s. Ctrl-C breaks it off."]
    assert stage.sent[0][1]["pin"] == 17


@pytest.mark.parametrize("answer", ["", "\n", "y\n", "no\n", "n\n", "not yet\n", "yes yes\n"])
def test_anything_but_yes_sends_nothing(
    run: Run, stage: Stage, real: str, monkeypatch: pytest.MonkeyPatch, answer: str, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    said = run(f"play {real} --vcd {tmp_path}/a.vcd")
    assert (said.status, said.out) == (130, "")
    asked = QUESTION if answer.endswith("\n") else f"{QUESTION}\n"  # a terminal shows the line end itself
    assert said.err == "\n".join([*CAUTIONS, f"{asked}Not sent. Clear the water first.\n"])
    assert (stage.sent, (tmp_path / "a.vcd").exists()) == ([], False)


def test_broken_off_at_the_question_sends_nothing(
    run: Run, stage: Stage, real: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Hand(Terminal):
        def readline(self, *_: Any) -> str:
            raise KeyboardInterrupt

    monkeypatch.setattr(sys, "stdin", Hand())
    said = run(f"play {real}")
    assert (said.status, said.out, stage.sent) == (130, "", [])
    assert said.err == "\n".join([*CAUTIONS, f"{QUESTION}\nbroken off\n"])


@pytest.mark.parametrize("stdin", [io.StringIO("yes\n"), None])
def test_without_a_terminal_nobody_can_be_asked(
    run: Run, stage: Stage, real: str, monkeypatch: pytest.MonkeyPatch, stdin: io.StringIO | None
) -> None:
    monkeypatch.setattr(sys, "stdin", stdin)
    said = run(f"play {real}")
    assert (said.status, said.out) == (2, "")
    assert said.err == (
        "one-way: the relay is real, and there is no terminal to ask at whether the water is clear: "
        "make sure that it is, then add --yes\n"
    )
    assert stage.sent == []


def test_yes_is_taken_for_an_answer_and_the_cautions_are_still_given(
    run: Run, stage: Stage, real: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    said = run(f"play {real} --yes")
    assert said.status == 0
    assert said.err.splitlines() == [*CAUTIONS, "Sending: 0.8 s. Ctrl-C breaks it off."]
    assert len(stage.sent) == 1


def test_a_mains_side_relay_has_its_caution(run: Run, stage: Stage, real: str) -> None:
    path = Path(real.partition(" ")[0])
    text = path.read_text(encoding="utf-8").replace('"secondary"', '"primary"')
    path.write_text(text, encoding="utf-8")
    said = run(f"play {real} --yes")
    assert (
        "The relay switches mains: keep away from its terminals; work on it is for licensed people."
        in said.err
    )
    assert len(stage.sent) == 1


def test_a_contact_that_rests_open_needs_the_lead_in(
    run: Run, stage: Stage, site: Callable[..., str]
) -> None:
    path = site("LIDO", ('contact = "normally_closed"', 'contact = "normally_open"'))
    said = run(f"play {path} --circuit lap-pool --scene quiet")
    assert (said.status, stage.sent) == (2, [])
    assert said.err == (
        "lap-pool: the contact is normally open, so the lamps are dark before the train: add --from-dark\n"
    )
    said = run(f"play {path} --circuit lap-pool --scene quiet --from-dark")
    assert said.status == 0
    assert "Note: the contact is normally open and has been let go: the lamps are dark now." in said.out


# -- files -----------------------------------------------------------------------------------------


def test_the_dump_is_a_new_file(run: Run, stage: Stage, tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    said = run(f"play {QUIET} --vcd {path}")
    assert said.status == 0
    assert f"and in {path}." in said.out
    assert "$enddefinitions" in path.read_text(encoding="ascii")
    again = run(f"play {QUIET} --vcd {path}")
    assert (again.status, again.err) == (
        2,
        f"{path}: is there already: name a new file, or remove it first\n",
    )
    assert len(stage.sent) == 1


def test_a_dump_that_cannot_be_written_is_told_before(run: Run, stage: Stage, tmp_path: Path) -> None:
    said = run(f"play {QUIET} --vcd {tmp_path}/none/a.vcd")
    assert (said.status, stage.sent) == (2, [])
    assert said.err == f"{tmp_path}/none/a.vcd: cannot be written: No such file or directory\n"


def test_a_disk_that_fills_up_does_not_hide_how_the_train_went(
    run: Run, stage: Stage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def full(_log: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(play_command, "vcd_text", full)
    found = run(f"play {QUIET} --json --vcd {tmp_path}/a.vcd")
    assert found.status == 0
    assert found.json["notes"] == [f"{tmp_path}/a.vcd could not be written: No space left on device"]
    assert len(stage.sent) == 1


def test_nowhere_to_keep_the_log(run: Run, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither $HOME nor an entry for this user."""
    monkeypatch.delenv("XDG_STATE_HOME")

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    said = run(f"play {QUIET}")
    assert (said.status, stage.sent) == (2, [])
    assert said.err == (
        "nowhere to keep what the site does (Could not determine home directory.): "
        "set XDG_STATE_HOME to a folder\n"
    )


def test_through_the_real_player(run: Run, state: Path) -> None:
    """A third of a second in a process of its own."""
    said = run(f"play {STEP} --json")
    assert said.json["outcome"] == "finished"
    kept = state / "Quarry%20Lane%20bench%20corner" / "one-way.json"
    assert said.json["log"] == str(kept)
    stamps = json.loads(kept.read_text(encoding="utf-8"))["result"]["log"]["stamps"]
    assert stamps == said.json["edges"]
