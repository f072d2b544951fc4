"""What was typed is not repeated whole, and nothing of it steers the terminal: options, paths, and what files hold."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import pytest
from pydantic import ValidationError

from sequencer.cli.arguments import _parser
from sequencer.cli.commands import BENCH, COMMANDS, FILE
from sequencer.journal.folder import LONGEST_NAME, journal_path, socket_path
from sequencer.player.kept import path_for
from sequencer.tomlfile import Table, misfits
from tests.cli.conftest import CONFIG, Said
from tests.cli.test_mutants import said, stage

__all__ = ["stage"]

LONG = (
    "x" * 3000,
    "a b " * 750,
    "\x1b[2J\n" * 600,
    "\U0001f4a7" * 1000,
    "a/" * 1500,
    "1" * 3000,
    "a=" + "b" * 3000,
)
LONGEST = 700
NAMES = [*(name for name in COMMANDS if name not in {"bench", "demo"}), *(f"bench {name}" for name in BENCH)]


def _sound(name: str) -> list[str]:
    """A command with what it needs, so that one long word is all that is wrong."""
    first = name.split()
    if name.startswith("bench"):
        rig = ["--rig", str(CONFIG / "rigs" / "workshop.toml")]
        return [*first, *([str(CONFIG / "lamps" / "type-a.toml")] if FILE.get(name, 1) else []), *rig]
    if name == "judge":
        return [*first, "capture.vcd", "--plan", "plan.json"]
    return [*first, str(CONFIG / "quarry-lane.toml")]


@pytest.mark.usefixtures("stage")
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("word", LONG, ids=lambda word: ascii(word[:6]))
def test_no_long_word_is_repeated_whole(
    name: str, word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the file, as one word too many, as an option that is not there, and as the value of each option."""
    monkeypatch.chdir(tmp_path)
    lines = [
        [*name.split(), word],
        [*_sound(name), word],
        [*_sound(name), f"--{word}"],
        [*_sound(name), f"--yes={word}"],
    ]
    options = [each for each in _parser(name)._actions if each.option_strings and each.nargs != 0]
    for option in options:
        lines += [
            [*_sound(name), option.option_strings[0], word],
            [*_sound(name), f"{option.option_strings[0]}={word}"],
        ]
    for words in lines:
        status, err = said(words)
        assert status in {0, 1, 2}, words[:3]
        assert all(line.isprintable() for line in err.splitlines())
        assert all(len(line) <= LONGEST for line in err.splitlines()), max(err.splitlines(), key=len)[:900]


@pytest.mark.parametrize("long", ["\U0001f4a7" * 60, " ".join("x" * 30), "é" * 60])
def test_a_long_name_fits_into_a_files_name_and_a_socket_finds_room(
    long: str, run: Callable[[str], Said], site: Callable[..., str]
) -> None:
    """A name of 255 bytes at most (ext4), a socket's path of 107 (unix(7)); two long names stay apart."""
    for path in (journal_path(long), socket_path(long), path_for(long, long)):
        assert all(len(part.encode()) <= LONGEST_NAME + len(".json") for part in path.parts[-2:])
    assert journal_path(long) != journal_path(long[:-1])
    path = site("LIDO", ('name = "Quarry Lane lido"', f'name = "{long[:60]}"'))
    assert run(f"journal {path}").status in {1, 2}


VALUES = (
    *(
        None,
        True,
        0,
        -1,
        1,
        10**400,
        1.5,
        -1e308,
        float("inf"),
        float("nan"),
        "",
        "text",
        "\ud800",
        "x" * 4000,
        "1",
    ),
    *(
        [],
        [1],
        [1, 2, 3],
        ["a", "b"],
        [[1, 2]],
        {},
        {"a": 1},
        {"driver": "no"},
        {"driver": 3},
        [{}],
        {"\x1b": {}},
        b"x",
    ),
)


MODULES = ("bench.rigfile", "sitefile.standing", "sitefile.supply", "sitefile.sense", "sitefile.tables")
for module in MODULES:
    import_module(f"sequencer.{module}")  # so that all of their tables are known


def _every(model: type[Table]) -> set[type[Table]]:
    return {model}.union(*(_every(each) for each in model.__subclasses__()))


@pytest.mark.parametrize(
    "model", sorted(_every(Table), key=lambda each: f"{each.__module__}.{each.__name__}")
)
def test_whatever_a_key_holds_is_told_in_plain_words(model: type[Table]) -> None:
    """Every key of every table with every kind of value: the library that validates is never quoted."""
    for name, field in model.model_fields.items():
        for value in VALUES:
            data = {field.alias or name: value}
            try:
                model.model_validate(data)
            except ValidationError as error:
                theirs = [details["msg"] for details in error.errors()]
                for _, words in misfits(error, model, data):
                    assert not any(msg in words for msg in theirs if not msg.startswith("Value error")), words
                    assert not re.search(
                        r"Input|NoneType|\b(dict|tuple|str|float)\b|None|True|False", words
                    ), words
                    assert words.isprintable()
                    assert len(words) < 400
