"""Datasheets: what is accepted, and the exact line for everything that is not.

The lamps are invented; no value here is a real lamp's.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet, load_datasheet, parse_datasheet
from sequencer.errors import InputError
from sequencer.tomlfile import MAX_BYTES, MAX_DOTS, MAX_PROBLEMS, TomlFile, printable, read_toml

COUNT = """\
[lamp]
name = "count lamp"
selects_by = "count"
after_power_down = "remembered"
clock_tolerance = 0.03
[off]
ignored = [0, 0.02]
pulse = [0.12, 2.0]
reset = [6.5, 8.0]
power_down = [10.0, inf]
[on]
same_train = [0.15, 2.0]
settled = [3.5, inf]
[electrical]
watts = 30
power_factor = 0.92
volts = [11, 15]
[hold_up]
capacitance_f = 7e-3
dropout_v = 8.5
[[scene]]
code = 1
name = "rill"
colour = "#0a7f8f"
[[scene]]
code = 2
name = "squall"
period_s = 12
colours = ["#0a7f8f", "#F0F0F0"]
watts = 18
"""
STEP = """\
[lamp]
name = "step lamp"
selects_by = "step"
after_power_down = "next"
clock_tolerance = 0
[off]
ignored = [0, 0]
pulse = [0.1, 2]
power_down = [2, inf]
[on]
same_train = [0.4, inf]
warm_up = [1.2, inf]
[[scene]]
code = 2
name = "reed"
[[scene]]
code = 1
name = "flint"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "x.toml"
    path.write_text(text, encoding="utf-8")
    return path


def changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


def problems(text: str) -> tuple[str, ...]:
    """The problems of a text as a datasheet called x.toml."""
    import tomllib

    found = parse_datasheet(TomlFile("x.toml", text, tomllib.loads(text)))
    return () if isinstance(found, Datasheet) else tuple(found)


def test_a_count_lamp_is_read_with_its_numbers_as_floats(tmp_path: Path) -> None:
    sheet = load_datasheet(write(tmp_path, COUNT))
    assert sheet.off.pulse == (0.12, 2.0)
    assert sheet.off.power_down == (10.0, math.inf)
    assert (sheet.lamp.overflow, sheet.on.warm_up, sheet.warm_up) == ("unknown", None, (0.15, math.inf))
    assert sheet.electrical is not None
    assert isinstance(sheet.electrical.watts, float)
    squall = sheet.scene_by_name("squall")
    assert squall is not None
    assert squall is sheet.scene_by_code(2)
    assert squall.colours == ("#0a7f8f", "#F0F0F0")
    assert sheet.scene_by_name("Squall") is None
    assert sheet.scene_by_code(3) is None


def test_a_step_lamp_needs_neither_settled_nor_electrical_nor_colours(tmp_path: Path) -> None:
    sheet = load_datasheet(write(tmp_path, STEP))
    assert (sheet.on.settled, sheet.electrical, sheet.off.reset) == (None, None, None)
    assert sheet.warm_up == (1.2, math.inf)


def test_what_a_lamp_notices_is_what_same_train_starts_with_unless_it_is_said() -> None:
    import tomllib

    assert Datasheet.model_validate(tomllib.loads(COUNT)).noticed == (0.15, math.inf)
    said = changed(COUNT, "settled =", "noticed = [0.05, inf]\nsettled =")
    assert problems(said) == ()
    assert Datasheet.model_validate(tomllib.loads(said)).noticed == (0.05, math.inf)


def test_a_datasheet_is_frozen_and_can_be_a_key() -> None:
    import tomllib

    from pydantic import ValidationError

    sheet = Datasheet.model_validate(tomllib.loads(COUNT))
    with pytest.raises(ValidationError):
        sheet.lamp.name = "other"  # type: ignore[misc]
    assert {sheet: 1}[Datasheet.model_validate(tomllib.loads(COUNT))] == 1


def test_windows_may_touch_and_be_empty() -> None:
    assert problems(changed(COUNT, "reset = [6.5, 8.0]", "reset = [2.0, 10.0]")) == ()
    assert problems(changed(COUNT, "ignored = [0, 0.02]", "ignored = [0, 0]")) == ()


def test_a_byte_order_mark_is_no_trouble(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbf" + COUNT.encode())
    assert load_datasheet(path).lamp.name == "count lamp"


def cases() -> list[tuple[str, str, str, list[str]]]:
    """The table of misfits: base, text replaced, replacement, lines expected."""
    found: list[tuple[str, str, str, list[str]]] = []
    for line in (
        (Path(__file__).parent / "misfits" / "datasheet.txt").read_text(encoding="utf-8").splitlines()
    ):
        if line.startswith(" "):
            found[-1][3].append("x.toml: " + line.strip())
        elif line and not line.startswith("#"):
            base, change = line.split(": ", 1)
            old, _, new = change.replace("⏎", "\n").partition(" ->")
            found.append((COUNT if base == "count" else STEP, old, new.removeprefix(" "), []))
    return found


@pytest.mark.parametrize(("base", "old", "new", "expected"), cases())
def test_each_misfit_has_its_line(base: str, old: str, new: str, expected: list[str]) -> None:
    assert problems(changed(base, old, new)) == tuple(expected)


# Whole texts that are TOML and no datasheet.
NO_DATASHEETS = [
    (
        "",
        [
            "[lamp] is missing: it needs name, selects_by, after_power_down, clock_tolerance",
            "[off] is missing: it needs ignored, pulse, power_down",
            "[on] is missing: it needs same_train",
            "[[scene]] is missing: it needs code, name",
        ],
    ),
    (
        "scene = 3\n[lamp]\n[off]\nx.y = 1\n[on]\n",
        [
            "[lamp] name is missing (near line 2)",
            "[lamp] selects_by is missing (near line 2)",
            "[lamp] after_power_down is missing (near line 2)",
            "[lamp] clock_tolerance is missing (near line 2)",
            "[off] ignored is missing (near line 3)",
            "[off] pulse is missing (near line 3)",
            "[off] power_down is missing (near line 3)",
            '[off] no such key: "x": known are "ignored", "pulse", "reset", "power_down" (near line 4)',
            "[on] same_train is missing (near line 5)",
            "scene must be an array in square brackets, not 3 (near line 1)",
        ],
    ),
    (
        "scene = [4]\nlamp = 1979-05-27\non = []\noff = 'x'\n",
        [
            "lamp must be a table, not a date or time (near line 2)",
            'off must be a table, not "x" (near line 4)',
            "on must be a table, not an array (near line 3)",
            "scene, entry 1 must be a table, not 4 (near line 1)",
        ],
    ),
    ("scene = []\n" + STEP[: STEP.index("[[scene]]")], ["scene must have at least one entry (near line 1)"]),
    (
        COUNT.replace("0.03", "0x" + "f" * 4000),
        ["[lamp] clock_tolerance must be a number, not a number so large (near line 5)"],
    ),
]


@pytest.mark.parametrize(("text", "expected"), NO_DATASHEETS)
def test_text_that_is_no_datasheet_is_told_key_by_key(text: str, expected: list[str]) -> None:
    assert problems(text) == tuple(f"x.toml: {line}" for line in expected)


def test_without_a_reset_the_first_scene_is_wanted_only_by_the_power_down() -> None:
    text = changed(changed(COUNT, "reset = [6.5, 8.0]\n", ""), "code = 1", "code = 3")
    assert problems(text) == ()
    assert problems(changed(text, '"remembered"', '"first"')) == (
        'x.toml: no scene has code 1, but after_power_down = "first" goes there (near line 20)',
    )
    assert problems(changed(text, '"remembered"', '"remembered"\noverflow = "wraps"')) == (
        'x.toml: no scene has code 1: overflow = "wraps" wants every code from 1 (near line 21)',
    )


def test_all_problems_come_at_once_also_those_across_tables() -> None:
    text = changed(COUNT, "0.03", "0.7")
    text = changed(text, "[6.5, 8.0]", "[1.0, 8.0]")
    text = changed(text, "code = 2", "code = 1")
    text = changed(text, "8.5", "20")
    assert problems(text) == (
        "x.toml: [lamp] clock_tolerance must be less than 0.5, not 0.7 (near line 5)",
        "x.toml: [off] pulse and reset overlap (1.0-2.0 s) (near line 9)",
        "x.toml: [hold_up] dropout_v must be below 15.6 V, the peak of 11.0 V RMS (near line 20)",
        'x.toml: scene "squall": code 1 is taken already (near line 26)',
    )


def test_a_flood_of_problems_is_cut_off() -> None:
    told = problems("".join(f"k{n} = 1\n" for n in range(3000)))
    assert len(told) == MAX_PROBLEMS + 1
    assert told[-1] == f"x.toml: and more than these {MAX_PROBLEMS} problems"


def test_the_line_is_near_not_at_and_left_out_when_not_found() -> None:
    file = TomlFile("x.toml", 'a.b = 1\n[c]\n"d e" = 2\n[[f]]\n[[f]]\n[f.g]\n', {})
    lines = [
        file.near_line(loc)
        for loc in (
            ("a", "b"),
            ("c", "d e"),
            ("c", "x"),
            ("f", 1, "g", "y"),
            ("f", 0),
            ("f",),
            ("a",),
            ("z",),
        )
    ]
    assert lines == [1, 3, 2, 6, 4, 4, 1, None]
    assert TomlFile("x.toml", 'a = 1\n"b\\u001b" = 2\n', {}).near_line(("b\x1b",)) == 2


# Text that is not TOML, and the place counted from 1 by hand; the words between are the parser's own.
SYNTAX = [
    ("a = 1\nb 2\n", "(line 2, column 3)"),
    ("a = [1,\n", "(line 2, column 1: the end)"),
    ("a = 1\na = 2\n", "(line 2, column 6)"),
    ("[a]\nb = '''\nx", "(line 3, column 2: the end)"),
]


@pytest.mark.parametrize(("text", "place"), SYNTAX)
def test_text_that_is_not_toml_gets_line_and_column(tmp_path: Path, text: str, place: str) -> None:
    with pytest.raises(InputError) as caught:
        read_toml(write(tmp_path, text), "x.toml")
    (line,) = caught.value.problems
    assert line.startswith("x.toml: not TOML: ")
    assert line.endswith(place)


# Files that cannot be had at all: how they are made, and the one line.
UNREADABLE = [
    (
        lambda p: p.write_bytes(b"a = 1\nb = \xff\n"),
        "byte 0xff in line 2 is not UTF-8 text: save it as plain text in UTF-8",
    ),
    (lambda p: p.write_bytes(b"#" * (MAX_BYTES + 1)), "longer than 256 kB: no file of this kind is"),
    (lambda p: os.truncate(_touched(p), 50_000_000), "longer than 256 kB: no file of this kind is"),
    (os.mkfifo, "a pipe, socket or device, not a plain file"),
    (lambda p: p.symlink_to("/dev/zero"), "a pipe, socket or device, not a plain file"),
    (lambda p: p.symlink_to(p), "cannot be read: Too many levels of symbolic links"),
    (lambda p: p.mkdir(), "a folder, not a file: no .toml files there"),
    (lambda p: (p.parent / "y.toml").touch(), 'no such file: did you mean "y.toml"?'),
    (
        lambda p: p.write_text("a = " + "[" * 20_000),
        "brackets nested too deep in line 1: no file of this kind needs that",
    ),
    (lambda p: p.write_text("a = " + "9" * 20_000), "holds a number of thousands of digits in line 1"),
    (
        lambda p: p.write_text("a = 1\n" + "a." * 100_000 + "a = 1"),
        f"more than {MAX_DOTS} dots in line 2: no key or value needs them",
    ),
    (
        lambda p: p.write_text("a = {" + "a." * 100_000 + "a = 1}"),
        f"more than {MAX_DOTS} dots in line 1: no key or value needs them",
    ),
]


def _touched(path: Path) -> Path:
    path.touch()
    return path


@pytest.mark.parametrize(("make", "expected"), UNREADABLE, ids=[e[1][:30] for e in UNREADABLE])
def test_a_file_that_cannot_be_had_gets_one_line_and_never_a_wait(
    tmp_path: Path, make, expected: str
) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "x.toml"
    make(path)
    with pytest.raises(InputError) as caught:
        load_datasheet(path)
    assert caught.value.problems == (f"{path}: {expected.format(path=path)}",)


def test_a_long_row_of_dots_in_a_comment_is_only_a_row_of_dots(tmp_path: Path) -> None:
    assert load_datasheet(write(tmp_path, "# " + "." * 70 + "\n" + COUNT)).lamp.name == "count lamp"


def test_a_name_with_a_zero_byte_or_without_a_folder_is_told_too(tmp_path: Path) -> None:
    for path, words in (
        ("x\0.toml", "x\\x00.toml: cannot be read: embedded null byte"),
        (f"{tmp_path}/no/x.toml", f"{tmp_path}/no/x.toml: no such file: no .toml files there"),
    ):
        with pytest.raises(InputError) as caught:
            load_datasheet(path)
        assert caught.value.problems == (words,)


def test_a_file_without_permission_is_told(tmp_path: Path) -> None:
    path = write(tmp_path, COUNT)
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        load_datasheet(path)


def _sound_or_told(path: Path) -> None:
    """The only two ends: a datasheet, or lines that a terminal can show as they are."""
    told: tuple[str, ...] = ()
    try:
        load_datasheet(path)
    except InputError as error:
        told = error.problems or ("",)
    assert all(line and printable(line) == line for line in told)


SWAPS = st.sampled_from(
    [
        "0",
        "-1",
        "inf",
        "nan",
        "1e308",
        '"text"',
        "true",
        "[]",
        "[[]]",
        "{}",
        "{a=1}",
        "1979-05-27",
        "[lamp]",
        "[[scene]]",
        "code",
        "=",
        "\n",
        "x",
    ]
)


@settings(max_examples=150, deadline=None)
@given(raw=st.binary(max_size=400) | st.text(max_size=400).map(lambda t: t.encode("utf-8", "surrogatepass")))
def test_noise_ends_in_one_of_two_ways(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "noise.toml"
    path.write_bytes(raw)
    _sound_or_told(path)


@settings(max_examples=300, deadline=None)
@given(
    base=st.sampled_from([COUNT, STEP]),
    edits=st.lists(st.tuples(st.integers(0, 99), SWAPS), min_size=1, max_size=3),
)
def test_a_damaged_datasheet_ends_in_one_of_two_ways(
    tmp_path_factory: pytest.TempPathFactory, base: str, edits: list[tuple[int, str]]
) -> None:
    import re

    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    for place, swap in edits:
        words = re.split(r"(\s+|[\[\],=])", base)
        words[place * (len(words) - 1) // 99] = swap
        base = "".join(words)
    path.write_text(base, encoding="utf-8")
    _sound_or_told(path)
