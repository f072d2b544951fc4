"""``lampstep journal``: what is read, in words, as JSON and as a value change dump."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from vcd.reader import TokenKind, tokenize

from sequencer.cli.journal import words
from sequencer.journal.entries import KINDS, Entry, edges_detail
from sequencer.journal.folder import journal_path
from sequencer.journal.journal import Journal, open_journal
from sequencer.train import EdgeLog, Stamp
from tests.cli.test_json_fields import listed

Run = Callable[[str], Any]
ZONE = ZoneInfo("America/New_York")
DUSK = 1_793_493_000.0
"""20:30 on 31 October 2026 in New York, where summer time ends that night at 02:00 (tz database)."""
LOG = EdgeLog(
    (Stamp(0.5, 0.4945, 0.4947, False), Stamp(1.0, 0.9915, 0.9914, True)), "finished", "", 1.5, True
)


class Pen:
    """Writes the lido's journal, at a time that is set by hand."""

    def __init__(self) -> None:
        self.unix_s = DUSK
        self.journal: Journal = open_journal(
            journal_path("Quarry Lane lido"),
            now_unix=lambda: self.unix_s,
            now=lambda: self.unix_s,
            boot="a-boot",
            limit_mb=1,
            zone=ZONE,
        )

    def write(self, kind: str, circuit: str | None = None, **detail: object) -> None:
        self.journal.write(kind, circuit, detail)
        self.unix_s += 60


@pytest.fixture
def pen(state: Path) -> Pen:
    """One evening, in a daemon that still has it open."""
    pen = Pen()
    assert pen.journal.path.is_relative_to(state)
    pen.write("start", None, playing=False)
    pen.write("wish", "lap-pool", wish="hand", scene="evening")
    pen.write("intent", "lap-pool", scene="evening", pulses=[[0.5, 1.0]])
    pen.write("edges", "lap-pool", **edges_detail(LOG))
    pen.write("outcome", "lap-pool", scene="evening", cycles=1, spoiled=False, after_cut=False, failed="")
    pen.write("supply", "plunge-pool", supply="lost")
    return pen


def test_no_journal_yet(run: Run, state: Path) -> None:
    said = run("journal LIDO")
    assert (said.status, said.err) == (1, "")
    assert said.out.startswith(f"No journal yet: {state}/Quarry%20Lane%20lido/journal.sqlite3 is not there.")
    told = run("journal LIDO --json")
    assert (told.status, list(told.json)) == (1, ["site", "journal", "reason"])
    assert not state.exists()


@pytest.mark.usefixtures("pen")
def test_in_words_while_it_is_being_written(run: Run) -> None:
    said = run("journal LIDO")
    assert (said.status, said.err) == (0, "")
    for line in (
        "2026-10-31 20:30:00 EDT                 daemon started",
        '2026-10-31 20:31:00 EDT   lap-pool      chosen by hand: "evening"',
        '2026-10-31 20:32:00 EDT   lap-pool      train for "evening" about to be sent, 1 break',
        "2026-10-31 20:33:00 EDT   lap-pool      2 edges, the worst 0.200 ms late",
        '2026-10-31 20:34:00 EDT   lap-pool      train for "evening" sent, every edge in time; 1 relay cycle',
        "2026-10-31 20:35:00 EDT   plunge-pool   supply lost",
    ):
        assert f"\n  {line}\n" in said.out


def test_the_doubled_hour_is_told_apart(run: Run, pen: Pen) -> None:
    """Summer time ends in New York on 1 November 2026 at 02:00 (tz database)."""
    for hours in (5, 6):
        pen.unix_s = DUSK + hours * 3600
        pen.write("note", None, text=f"after {hours}")
    out = run("journal LIDO --last 2").out
    assert "2026-11-01 01:30:00 EDT             after 5" in out
    assert "2026-11-01 01:30:00 EST             after 6" in out
    assert "daemon started" not in out


@pytest.mark.usefixtures("pen")
def test_one_circuit_has_the_whole_pads_entries_too(run: Run) -> None:
    found = run("journal LIDO --circuit lap-pool --json").json
    assert [entry["kind"] for entry in found["entries"]] == ["start", "wish", "intent", "edges", "outcome"]
    assert [wear["circuit"] for wear in found["wear"]] == ["lap-pool"]
    assert {day["circuit"] for day in found["days"]} == {"lap-pool"}


@pytest.mark.usefixtures("pen")
def test_fields(run: Run) -> None:
    found = run("journal LIDO --json").json
    assert list(found) == listed("journal")
    assert list(found["entries"][0]) == listed("journal", "entry field")
    assert found["entries"][1] == {
        "id": 2,
        "unix_s": DUSK + 60,
        "local": "2026-10-31T20:31:00-04:00",
        "boot": "a-boot",
        "at_s": DUSK + 60,
        "kind": "wish",
        "circuit": "lap-pool",
        "detail": {"wish": "hand", "scene": "evening"},
    }
    assert found["days"][0] == {
        "circuit": "lap-pool",
        "day": "2026-10-31",
        "evenings": 1,
        "trains": 1,
        "spoiled": 0,
        "cycles": 1,
        "outages": 0,
        "dark_s": pytest.approx(0.4967),
    }
    assert found["wear"][0]["cycles"] == found["wear"][0]["per_evening"] == 1
    assert found["damaged"] == 0


@pytest.mark.usefixtures("pen")
def test_the_last_trains_edges_as_a_dump(run: Run, tmp_path: Path) -> None:
    """Read back by pyvcd's own reader: 1 is closed, in microseconds."""
    path = tmp_path / "last.vcd"
    assert run(f"journal LIDO --vcd {path}").status == 0
    tokens = list(tokenize(io.BytesIO(path.read_bytes())))
    command = next(
        token.var.id_code for token in tokens if token.kind is TokenKind.VAR and token.var.reference == "cmd"
    )
    at, changes = 0, []
    for token in tokens:
        if token.kind is TokenKind.CHANGE_TIME:
            at = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.id_code == command:
            changes.append((at, token.scalar_change.value))
    assert changes[-2:] == [(494_700, "0"), (991_400, "1")]
    assert run(f"journal LIDO --vcd {path}").status == 2


def test_no_train_to_dump(run: Run, tmp_path: Path) -> None:
    Pen().write("start")
    said = run(f"journal LIDO --vcd {tmp_path / 'last.vcd'}")
    assert said.status == 1
    assert "No train is in the journal yet" in said.out
    assert not (tmp_path / "last.vcd").exists()


def test_a_worn_out_relay(run: Run, pen: Pen) -> None:
    pen.write("outcome", "lap-pool", scene="evening", cycles=10_000_000)
    assert "used up: replace the relay" in run("journal LIDO").out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("journal LIDO --circuit lap-pol", 'no circuit "lap-pol": did you mean "lap-pool"?'),
        ("journal LIDO --last 0", "must be a whole number from 1"),
    ],
)
def test_bad_input(run: Run, line: str, words: str) -> None:
    said = run(line)
    assert said.status == 2
    assert words in said.err


def test_a_file_that_is_no_journal(run: Run, state: Path) -> None:
    folder = state / "Quarry%20Lane%20lido"
    folder.mkdir(parents=True)
    (folder / "journal.sqlite3").write_bytes(b"not a database, by any reading of its first page" * 100)
    said = run("journal LIDO")
    assert said.status == 2
    assert "is damaged" in said.err


@pytest.mark.parametrize("kind", [*KINDS, "of a later version"])
def test_an_entry_of_another_version_is_shown_as_it_is(kind: str) -> None:
    shown = words(Entry(0.0, "", 0.0, kind, None, {"strange": 1}))
    assert shown
    assert "\n" not in shown
