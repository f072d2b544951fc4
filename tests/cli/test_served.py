"""Commands that speak with a running daemon: what they print, and that they reach it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import through
from sequencer.cli.journal import words
from sequencer.cli.served import asked
from sequencer.core import events as on
from sequencer.daemon.wire import ask_daemon
from sequencer.journal.entries import Entry
from sequencer.journal.folder import socket_path
from sequencer.sitefile import Pad
from tests.cli.test_json_fields import listed
from tests.served import Served

Run = Callable[[str], Any]
LIDO = Path(__file__).parents[2] / "config" / "quarry-lane.toml"


@pytest.fixture
def served(state: Path) -> Iterator[Served]:
    assert not state.exists()
    with closing(Served(LIDO)) as desk:
        yield desk


COMMANDS = {
    "status LIDO": 2,
    "status LIDO --circuit lap-pool": 1,
    "tell LIDO ladder=tarn": 1,
    "replaced LIDO ladder": 1,
    "resync LIDO --circuit lap-pool": 1,
    "steady LIDO": 2,
    "resume LIDO --circuit lap-pool": 1,
    "touch LIDO --circuit lap-pool occupied=on": 1,
    "play LIDO --circuit plunge-pool --scene quiet": 1,
}


@pytest.mark.usefixtures("served")
@pytest.mark.parametrize("line", COMMANDS)
def test_fields(run: Run, line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(through, "LOOK_S", 0.0)
    said = run(f"{line} --json")
    assert list(said.json) == listed("status")
    assert len(said.json["circuits"]) == COMMANDS[line]
    for circuit in said.json["circuits"]:
        assert list(circuit) == listed("status", "circuit field")
        assert {tuple(lamp) for lamp in circuit["lamps"]} == {tuple(listed("status", "known field"))}


def test_nobody_serves(run: Run) -> None:
    said = run("status LIDO --json")
    assert (said.status, said.json) == (1, {"pid": None, "journal": "", "circuits": []})
    told = run("tell LIDO ladder=tarn")
    assert told.status == 2
    assert told.err.startswith("no daemon serves Quarry Lane lido: start one with lampstep serve ")


def test_fields_of_serve(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sequencer.daemon.serve.serve", lambda _: None)
    assert list(run("serve LIDO --json").json) == listed("serve")


def test_what_is_told_and_replaced_is_known_and_unknown(run: Run, served: Served) -> None:
    def shown(circuit: str) -> dict[str, tuple[str | None, str]]:
        (found,) = run(f"status LIDO --circuit {circuit} --json").json["circuits"]
        return {lamp["lamp"]: (lamp["scene"], lamp["by"]) for lamp in found["lamps"]}

    assert shown("plunge-pool") == dict.fromkeys(("ladder", "ledge", "spout"), ("tarn", "train"))
    run("steady LIDO")  # so that no train follows at once
    run('tell LIDO ledge="reed bed"')
    assert shown("plunge-pool")["ledge"] == ("reed bed", "person")
    assert ("told", "plunge-pool", {"lamp": "ledge", "code": 2}) in served.journal
    run("replaced LIDO spout")
    assert shown("plunge-pool") == dict.fromkeys(("ladder", "ledge", "spout"), (None, ""))


def test_the_switch_off_is_dark_and_on_is_lit(run: Run, served: Served) -> None:
    run("touch LIDO --circuit lap-pool switch=off")
    said = run("status LIDO --circuit lap-pool --json")
    (circuit,) = said.json["circuits"]
    assert (said.status, circuit["phase"], circuit["rank"]) == (0, "dark", "off")
    served.wait(60.0)
    run("touch LIDO --circuit lap-pool switch=on")
    served.wait(10.0)  # they keep their scenes, and must only settle
    (circuit,) = run("status LIDO --circuit lap-pool --json").json["circuits"]
    assert (circuit["phase"], circuit["matched"]) == ("lit", True)


def test_no_answer_is_yes_while_the_contact_is_not_confirmed(run: Run, served: Served) -> None:
    run("touch LIDO --circuit lap-pool switch=off")
    lost = on.ContactUnknown(served.clock.now(), "no answer within 0.3 s")
    served.daemon.take("lap-pool", lost)
    served.daemon._check_at["lap-pool"] = float("inf")  # not yet tried again
    said = run("status LIDO --circuit lap-pool --json")
    (circuit,) = said.json["circuits"]
    assert (circuit["rank"], circuit["contact"]) == ("off", "not confirmed")
    assert said.status == 1


def test_dark_between_shows_is_well(run: Run, site: Callable[..., str]) -> None:
    path = Path(site("LIDO", ('between_shows = "lit"', 'between_shows = "dark"')))
    with closing(Served(path)) as served:
        said = run(f"status {path} --json")
        assert {circuit["phase"] for circuit in said.json["circuits"]} == {"lit"}  # by what clock is it dark?
        for circuit in ("lap-pool", "plunge-pool"):
            served.daemon.take(circuit, on.ClockTrusted(served.clock.now()))
        said = run(f"status {path} --json")
    assert {circuit["phase"] for circuit in said.json["circuits"]} == {"dark"}
    assert said.status == 0


def test_the_journal_has_words_for_all_that_the_daemon_writes(run: Run, served: Served) -> None:
    for command in COMMANDS:
        run(command)
    for level in ("off", "on"):
        run(f"touch LIDO --circuit lap-pool switch={level} sense={level}")
        served.wait(5.0)
    said = [words(Entry(0.0, "", 0.0, kind, circuit, detail)) for kind, circuit, detail in served.journal]
    assert {"held dark; 1 relay cycle", "lit again", "switch off", "supply back"} <= set(said)
    assert not [line for line in said if "{" in line]


def test_a_site_file_that_was_changed_meanwhile(run: Run, served: Served, site: Callable[..., str]) -> None:
    path = site("LIDO", ('name = "ledge"', 'name = "shelf"'))
    restart = f"{path}: has other lamps than the daemon serves: it was changed since the daemon started"
    assert run(f"status {path}").err == f"{restart}: restart the daemon\n"
    told = run(f"tell {path} shelf=tarn")
    assert told.err.startswith('plunge-pool: the daemon knows no lamp "shelf": was the site file changed')
    asked = {"circuit": "plunge-pool", "lamp": "ledge"}
    for code in (99, float("inf"), "1", None):
        answer = ask_daemon(socket_path(served.pad.site.name), {"do": "tell", **asked, "code": code})
        assert answer is not None
        assert answer["errors"][0].startswith("plunge-pool: ledge: the daemon knows no scene")


@pytest.mark.parametrize(
    ("first", "why"),
    [
        ("touch LIDO --circuit lap-pool switch=off", "the switch is off"),
        ("steady LIDO --circuit lap-pool", "plain light was asked for"),
    ],
)
def test_play_says_whose_word_counts_for_more(run: Run, served: Served, first: str, why: str) -> None:
    run(first)
    said = run("play LIDO --circuit lap-pool --scene quiet")
    assert said.status == 2
    assert said.err.startswith(f"lap-pool: {why}, which counts for more: ")
    assert not any(kind == "wish" and detail["wish"] == "asked" for kind, _, detail in served.journal)


@pytest.mark.usefixtures("served")
def test_play_says_what_it_waits_for(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(through, "PATIENCE_S", 0.2)
    run("touch LIDO --circuit lap-pool occupied=on")
    said = run("play LIDO --circuit lap-pool --scene quiet")
    assert said.status == 1
    assert said.err == "lap-pool: a train to quiet waits (it waits: people may be in the water)\n"


def test_play_waits_for_the_scene_and_the_hand_at_the_pad_counts_for_more(
    run: Run, served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(through, "LOOK_S", 0.0)
    said = run("play LIDO --circuit lap-pool --scene quiet")
    assert said.status == 0
    assert "lap-pool: every lamp on quiet" in said.out
    run("touch LIDO --circuit lap-pool button=on")
    served.wait(2.0)
    run("touch LIDO --circuit lap-pool button=off")
    (circuit,) = run("status LIDO --circuit lap-pool --json").json["circuits"]
    assert (circuit["rank"], circuit["scene"]) == ("hand", "festival")
    said = run("play LIDO --circuit lap-pool --scene evening")
    words = "festival was chosen at the pad, which counts for more: take it back first"
    assert (said.status, said.err) == (2, f"lap-pool: {words}\n")
    assert json.dumps(words) not in said.out


class Hand:
    """Presses Ctrl-C when a question has been put to the daemon."""

    def __init__(self, *after: str) -> None:
        self.after = list(after)

    def __call__(self, pad: Pad, request: dict[str, Any]) -> dict[str, Any] | None:
        said = asked(pad, request)
        if self.after and request["do"] == self.after[0]:
            del self.after[0]
            raise KeyboardInterrupt
        return said


def rank(run: Run, circuit: str) -> str:
    (found,) = run(f"status LIDO --circuit {circuit} --json").json["circuits"]
    return str(found["rank"])


@pytest.mark.usefixtures("served")
def test_ctrl_c_takes_the_request_back_and_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(through, "ask_served", Hand("ask"))
    said = run("play LIDO --circuit plunge-pool --scene quiet")
    assert said.status == 130
    words = 'plunge-pool: broken off: "quiet" is asked for no more; the daemon says: '
    assert said.err.startswith(words)
    assert said.err.count("\n") == 1
    assert rank(run, "plunge-pool") == "memory"


@pytest.mark.usefixtures("served")
def test_a_second_ctrl_c_leaves_the_request_and_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(through, "ask_served", Hand("ask", "status"))
    said = run("play LIDO --circuit plunge-pool --scene quiet")
    assert said.status == 130
    assert said.err == (
        'plunge-pool: broken off: the daemon still has the request for "quiet": '
        f"take it back with lampstep resume {LIDO} --circuit plunge-pool\n"
    )
    assert rank(run, "plunge-pool") == "request"


@pytest.mark.usefixtures("served")
def test_ctrl_c_takes_back_nothing_that_somebody_else_chose(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Plain light, which somebody asked for in between, counts for more and stays."""

    def steady(pad: Pad, request: dict[str, Any]) -> dict[str, Any] | None:
        said = asked(pad, request)
        if request["do"] == "ask":
            asked(pad, {"do": "steady", "circuit": "plunge-pool"})
            raise KeyboardInterrupt
        return said

    monkeypatch.setattr(through, "ask_served", steady)
    said = run("play LIDO --circuit plunge-pool --scene quiet")
    assert said.status == 130
    assert "lampstep resume" in said.err
    assert rank(run, "plunge-pool") == "steady"
