"""Site files with their datasheets: what is accepted, and the exact lines for everything that is not.

Site and lamps are invented.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import InputError
from sequencer.sitefile import MAX_TYPES, GpioRelay, Pad, load_site, same_pin
from sequencer.tomlfile import printable
from sequencer.train import Delays

FILES = {
    "site": """\
[site]
name = "two basins"
latitude = 59.9
longitude = 10
timezone = "Europe/Oslo"
region = "iec"
[timing]
margin_s = 0.02
[[circuit]]
name = "deep"
[circuit.relay]
driver = "gpio"
pin = 17
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "lamps/a.toml"
[[circuit.lamp]]
name = "south"
datasheet = "lamps/b.toml"
[[circuit]]
name = "shallow"
[circuit.relay]
driver = "simulated"
side = "primary"
make_s = [0, 0]
break_s = [0.003, 0.003]
contact = "normally_open"
rated_cycles = 1
[[circuit.lamp]]
name = "north"
datasheet = "lamps/a.toml"
[[scene]]
name = "evening"
picks = { a = "rill", b = "reed" }
[[scene]]
name = "squall"
""",
    "a": """\
[lamp]
name = "count lamp"
selects_by = "count"
after_power_down = "remembered"
clock_tolerance = 0.03
[off]
ignored = [0, 0.02]
pulse = [0.12, 3.0]
reset = [6.5, 8.0]
power_down = [10.0, inf]
[on]
same_train = [0.15, 2.0]
settled = [3.5, inf]
[[scene]]
code = 1
name = "rill"
[[scene]]
code = 2
name = "squall"
""",
    "b": """\
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
[[scene]]
code = 1
name = "flint"
[[scene]]
code = 2
name = "reed"
""",
}

Changes = list[tuple[str, str, str]]


def write(folder: Path, changes: Changes) -> Path:
    """The three files with some text replaced; gives the site file."""
    texts = dict(FILES)
    for file, old, new in changes:
        assert old in texts[file], old
        texts[file] = texts[file].replace(old, new, 1)
    (folder / "lamps").mkdir(exist_ok=True)
    for file, text in texts.items():
        place = folder / "site.toml" if file == "site" else folder / "lamps" / f"{file}.toml"
        place.write_text(text, encoding="utf-8")
    return folder / "site.toml"


def problems(path: Path) -> list[str]:
    """The problems of a site file, its folder left out."""
    try:
        load_site(path)
    except InputError as error:
        return [line.replace(f"{path.parent}/", "") for line in error.problems]
    return []


def pad(folder: Path, *changes: tuple[str, str, str]) -> Pad:
    return load_site(write(folder, list(changes)))


def test_a_site_is_read_with_its_datasheets(tmp_path: Path) -> None:
    site = pad(tmp_path)
    assert (site.site.name, site.site.longitude, site.site.region) == ("two basins", 10.0, "iec")
    assert (site.timing.margin_s, site.timing.max_flashes_per_s, site.timing.max_dark_s) == (0.02, 3.0, 20.0)
    assert {stem: sheet.lamp.name for stem, sheet in site.datasheets.items()} == {
        "a": "count lamp",
        "b": "step lamp",
    }
    assert [(lamp.name, lamp.stem) for lamp in site.circuit("deep").lamps] == [("north", "a"), ("south", "b")]
    relay = site.circuit("deep").relay
    assert isinstance(relay, GpioRelay)
    assert (relay.pin, relay.active_high) == (17, True)
    assert relay.delays == Delays((0.005, 0.012), (0.003, 0.008))
    assert site.circuit("shallow").relay.driver == "simulated"


def test_timing_may_be_left_out(tmp_path: Path) -> None:
    assert pad(tmp_path, ("site", "[timing]\nmargin_s = 0.02\n", "")).timing.margin_s == 0.03


def test_wanted_is_the_pick_or_the_scene_of_the_same_name(tmp_path: Path) -> None:
    site = pad(tmp_path)
    deep = {lamp: (scene.code, scene.name) for lamp, scene in site.wanted("deep", "evening").items()}
    assert deep == {"north": (1, "rill"), "south": (2, "reed")}
    assert [scene.code for scene in site.wanted("shallow", "squall").values()] == [2]


# What is asked of a sound site, and the lines of the refusal.
REFUSED = [
    ("dep", "evening", ['site.toml: no circuit "dep": did you mean "deep"?']),
    ("deep", "morning", ['site.toml: no scene "morning": known are "evening", "squall"']),
    ("deep", "Evening", ['site.toml: no scene "Evening": did you mean "evening"?']),
    (
        "deep",
        "squall",
        ['deep: lamp "south": b has no scene "squall": give scene "squall" in site.toml a pick for it'],
    ),
]


@pytest.mark.parametrize(("circuit", "scene", "expected"), REFUSED)
def test_what_cannot_be_wanted_is_said(tmp_path: Path, circuit: str, scene: str, expected: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        pad(tmp_path).wanted(circuit, scene)
    assert list(caught.value.problems) == expected


def test_a_lamp_name_may_come_again_on_another_circuit(tmp_path: Path) -> None:
    site = pad(tmp_path)
    assert [circuit.lamps[0].name for circuit in site.circuits] == ["north", "north"]


def test_one_datasheet_may_be_named_in_two_ways(tmp_path: Path) -> None:
    site = pad(tmp_path, ("site", "lamps/a.toml", "./lamps/../lamps/a.toml"))
    assert set(site.datasheets) == {"a", "b"}


def cases() -> list[tuple[Changes, list[str]]]:
    """The table of misfits: text changed in which file, lines expected."""
    found: list[tuple[Changes, list[str]]] = []
    for line in (Path(__file__).parent / "misfits" / "sitefile.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith(" "):
            found[-1][1].append(line.strip())
        elif line and not line.startswith("#"):
            if not found or found[-1][1]:
                found.append(([], []))
            file, change = line.split(": ", 1)
            old, _, new = change.replace("⏎", "\n").partition(" ->")
            found[-1][0].append((file, old, new.removeprefix(" ")))
    return found


@pytest.mark.parametrize(("changes", "expected"), cases())
def test_each_misfit_has_its_line(tmp_path: Path, changes: Changes, expected: list[str]) -> None:
    assert problems(write(tmp_path, changes)) == expected


def test_a_datasheet_that_is_not_toml_is_told_with_line_and_column(tmp_path: Path) -> None:
    (line,) = problems(write(tmp_path, [("a", "[off]", "[off")]))
    assert line.startswith('deep: lamp "north": lamps/a.toml: not TOML: ')
    assert line.endswith(" (line 6, column 5) (site.toml, near line 21)")


def test_a_site_file_that_is_not_toml_is_one_line_and_names_no_datasheet(tmp_path: Path) -> None:
    (line,) = problems(write(tmp_path, [("site", "= 59.9", "59.9"), ("a", "[off]", "[of]")]))
    assert line.startswith("site.toml: not TOML: ")
    assert line.endswith(" (line 3, column 10)")


def test_a_site_without_scenes_is_sound(tmp_path: Path) -> None:
    cut = FILES["site"][FILES["site"].index("[[scene]]") :]
    assert pad(tmp_path, ("site", cut, "")).scenes == ()


def test_more_types_than_any_pad_has_are_not_all_read(tmp_path: Path) -> None:
    lamps = "".join(
        f'[[circuit.lamp]]\nname = "l{n}"\ndatasheet = "lamps/none{n}.toml"\n' for n in range(1000)
    )
    told = problems(write(tmp_path, [("site", "[[circuit.lamp]]\n", lamps + "[[circuit.lamp]]\n")]))
    assert f"site.toml: more than {MAX_TYPES} datasheets: no pad has so many types" in told
    assert len(told) < 2 * MAX_TYPES


def test_a_control_character_in_a_path_does_not_reach_the_terminal(tmp_path: Path) -> None:
    told = problems(write(tmp_path, [("site", "lamps/a.toml", "lamps/\\u001b[2J.toml")]))
    assert told[0] == (
        'site.toml: deep: lamp "north": datasheet must be a file\'s path beside this file, '
        'not "lamps/\\x1b[2J.toml" (near line 21)'
    )


# The names that gpiozero 2.0 gives one pin of its 40-pin header (its documentation, "Pin Numbering").
PINS = [
    (17, 17, True),
    ("17", 17, True),
    ("GPIO17", 17, True),
    ("BCM17", "GPIO17", True),
    ("BOARD11", "J8:11", True),
    ("GPIO17", "GPIO27", False),
    ("WPI0", "GPIO0", False),
]


@pytest.mark.parametrize(("one", "other", "same"), PINS)
def test_pins_are_compared_by_what_their_names_mean(one: int | str, other: int | str, same: bool) -> None:
    assert (same_pin(one) == same_pin(other)) is same


@pytest.mark.parametrize("pin", ["17", '"GPIO17"', '"BCM17"', '"BOARD11"', '"J8:11"', '"WPI0"', '"0"', "0"])
def test_every_way_of_naming_a_pin_is_taken(tmp_path: Path, pin: str) -> None:
    assert problems(write(tmp_path, [("site", "pin = 17", f"pin = {pin}")])) == []


@pytest.mark.parametrize("pin", ["-1", "1.0", '"gpio17"', '"GPIO017"', '""', '"GPIO"', '"17 "', "[17]"])
def test_what_gpiozero_would_not_take_is_refused(tmp_path: Path, pin: str) -> None:
    (line,) = problems(write(tmp_path, [("site", "pin = 17", f"pin = {pin}")]))
    assert line.startswith('site.toml: deep: [relay] pin must be a pin such as 17, "GPIO17"')


SWAPS = [
    "0",
    "-1",
    "inf",
    "nan",
    '"text"',
    '"a"',
    "true",
    "[]",
    "{}",
    "1979-05-27",
    "[site]",
    "[[circuit]]",
    "=",
    "\n",
]


@settings(max_examples=200, deadline=None)
@given(
    file=st.sampled_from(["site", "site", "a"]),
    edits=st.lists(st.tuples(st.integers(0, 99), st.sampled_from(SWAPS)), min_size=1, max_size=3),
)
def test_a_damaged_site_ends_in_one_of_two_ways(
    tmp_path_factory: pytest.TempPathFactory, file: str, edits: list[tuple[int, str]]
) -> None:
    folder = tmp_path_factory.getbasetemp()
    path = write(folder, [])
    text = FILES[file]
    for place, swap in edits:
        words = re.split(r"(\s+|[\[\],=])", text)
        words[place * (len(words) - 1) // 99] = swap
        text = "".join(words)
    (path if file == "site" else folder / "lamps" / "a.toml").write_text(text, encoding="utf-8")
    told: tuple[str, ...] = ()
    try:
        assert isinstance(load_site(path), Pad)
    except InputError as error:
        told = error.problems or ("",)
    assert all(line and printable(line) == line for line in told)
