"""Whatever a table lacks is told at once: as many keys as are taken from it, so many are named in one run.

In every table of every shipped file: the keys that are missed when taken away alone are missed when taken all
(but for a driver, without which nobody knows which keys it has).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.bench.rigfile import load_rig
from sequencer.datasheet import load_datasheet
from sequencer.errors import InputError
from sequencer.sitefile import load_site

CONFIG = Path(__file__).parents[1] / "config"
FILES = sorted(str(path.relative_to(CONFIG)) for path in CONFIG.rglob("*.toml"))


def tables(text: str) -> Iterator[tuple[int, list[int]]]:
    """Each table's header and its keys, by their lines from 0."""
    lines = text.split("\n")
    header, keys = -1, list[int]()
    for number, line in enumerate([*lines, "["]):
        if line.startswith("["):
            if keys:
                yield header, keys
            header, keys = number, []
        elif re.match(r"[\w-]+ = (?!\[( |$|#))", line):
            keys.append(number)


def told(path: Path, text: str) -> tuple[str, ...]:
    """What is wrong with a file once it says ``text``."""
    path.write_text(text, encoding="utf-8")
    kind = path.parent.name
    try:
        if kind == "lamps":
            load_datasheet(path)
        elif kind == "rigs":
            load_rig(path)
        else:
            load_site(path, standing=True)
    except InputError as error:
        return error.problems
    return ()


def without(text: str, numbers: list[int]) -> str:
    """With empty lines in place of these, so that the others keep their numbers."""
    return "\n".join("" if n in numbers else line for n, line in enumerate(text.split("\n")))


@pytest.mark.parametrize("file", FILES)
def test_all_that_a_table_lacks_is_told_at_once(file: str, tmp_path: Path) -> None:
    shutil.copytree(CONFIG, tmp_path / "config")
    path = tmp_path / "config" / file
    text = path.read_text(encoding="utf-8")
    lines = text.split("\n")
    found = 0
    for _, numbers in tables(text):
        missed = {}
        for number in numbers:
            key = lines[number].partition(" = ")[0]
            if key == "driver":
                continue
            about = [line for line in told(path, without(text, [number])) if key in line]
            if any("missing" in line or "must have either" in line for line in about):
                missed[number] = key
        at_once = "\n".join(told(path, without(text, list(missed))))
        assert [key for key in missed.values() if key not in at_once] == [], at_once
        found += len(missed)
    assert found > 5


# One table each that lacks a key which it must have and one of two of which it must have either.
BOTH = [
    ("serial-line.toml", ["unit = 3\n", 'serial_number = "QL-0417"'], ["unit", "serial_number"]),
    ("weak-corner.toml", ['to = "deck box"\n', "length_ft = 20\n", "awg = 10 "], ["to", "length_m", "awg"]),
    ("weak-corner.toml", ["va = 300.0\n", "regulation = 0.04 "], ["va", "regulation"]),
    ("quarry-lane.toml", ['start = "sunset"\n', 'dates = ["2026-12-19"'], ["dates", "start"]),
    ("lamps/type-a.toml", ["same_train = ", "settled = "], ["same_train", "settled"]),
]


@pytest.mark.parametrize(("file", "gone", "keys"), BOTH)
def test_one_of_two_is_missed_together_with_what_must_be_there(
    file: str, gone: list[str], keys: list[str], tmp_path: Path
) -> None:
    shutil.copytree(CONFIG, tmp_path / "config")
    path = tmp_path / "config" / file
    text = path.read_text(encoding="utf-8")
    for start in gone:
        assert start in text
        at = text.index(start)
        text = text[:at] + "#" + text[at:]
    found = "\n".join(told(path, text))
    assert [key for key in keys if key not in found] == [], found


@pytest.mark.parametrize("sheet", ["absent", "broken"])
def test_a_calendar_is_read_beside_a_datasheet_that_is_not_to_be_had(sheet: str, tmp_path: Path) -> None:
    """Every other problem is told all the same, and nothing of the scenes of the type that is unknown."""
    shutil.copytree(CONFIG, tmp_path / "config")
    path = tmp_path / "config" / "quarry-lane.toml"
    lamp = path.parent / "lamps" / "type-c.toml"
    if sheet == "absent":
        lamp.unlink()
    else:
        lamp.write_text(lamp.read_text().replace("[on]", "[onn]"))
    found = told(path, path.read_text().replace('scene = "quiet"', 'scene = "quite"'))
    assert [line.partition(": ")[0] for line in found[:-1]] == ["lap-pool"] * (1 if sheet == "absent" else 2)
    assert found[-1].startswith(f'{path}: slot "late swim": no scene "quite": did you mean "quiet"?')
