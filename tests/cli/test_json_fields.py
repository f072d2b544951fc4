"""docs/json.md lists the fields of every object, in their order, and no others."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[[str], Any]

PAGE = (Path(__file__).parents[2] / "docs" / "json.md").read_text(encoding="utf-8")


def listed(section: str, table: str = "field") -> list[str]:
    """The names in the first column of a section's tables with this heading."""
    text = PAGE.partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    tables = re.findall(rf"^\| {table} \|.*\n\| --- .*\n((?:\|.*\n)+)", text, re.MULTILINE)
    return [name for rows in tables for name in re.findall(r"^\| `(\w+)`", rows, re.MULTILINE)]


STEP = "CORNER --circuit one-way --scene evening"
CASES = {
    f"plan {STEP} --from carousel=chalk": listed("plan"),
    f"plan {STEP}": listed("No train"),
    f"play {STEP} --from carousel=kingfisher": listed("plan") + listed("play"),
    f"rehearse {STEP} --from carousel=chalk --trials 2": listed("rehearse"),
    "check CORNER": listed("check"),
    "calendar LIDO": listed("calendar"),
    "diagnose LIDO --circuit plunge-pool --sent quiet --saw ladder=dark": listed("diagnose"),
    "sense WEAK --scene quiet --amps 4": listed("sense"),
    "demo": listed("demo"),
}


@pytest.mark.parametrize("line", CASES)
def test_fields(run: Run, line: str) -> None:
    assert list(run(f"{line} --json").json) == CASES[line]


def test_fields_of_a_lamp(run: Run) -> None:
    planned = run(f"plan {STEP} --from carousel=chalk --json").json["lamps"][0]
    assert list(planned) == listed("plan", "lamp field")
    sent = run(f"play {STEP} --from carousel=kingfisher --json").json["lamps"][0]
    assert list(sent) == listed("plan", "lamp field") + listed("play", "lamp field")


def test_fields_of_a_show(run: Run) -> None:
    shows = run("calendar LIDO --json").json["shows"]
    assert {tuple(show) for show in shows} == {tuple(listed("calendar", "show field"))}


def test_fields_of_the_daemons_tables(run: Run) -> None:
    found = run("check LIDO --json").json["daemon"]
    assert list(found) == listed("check", "daemon field")
    assert {tuple(each) for each in found["upkeep"]} == {tuple(listed("check", "upkeep field"))}


def test_fields_of_an_explanation(run: Run) -> None:
    found = run("diagnose LIDO --circuit plunge-pool --sent quiet --saw ladder=dark --json").json
    assert {tuple(each) for each in found["explanations"]} == {tuple(listed("diagnose", "explanation field"))}


def test_every_list_was_found() -> None:
    assert all(len(fields) > 4 for fields in CASES.values())
