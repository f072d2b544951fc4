"""Doubts: each from one change to a site about which there is nothing to say but the region's caution.

Site and lamps are invented. Limits: NEC 680.2 (15 V RMS) and IEC 60364-7-702 zone 0 (12 V AC), both read
in secondary copies; WCAG 2.2, success criterion 2.3.1, for the flashes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from sequencer.doubts import Doubt, doubts
from sequencer.sitefile import load_site

if TYPE_CHECKING:
    from pathlib import Path

SITE = """\
[site]
name = "basin"
latitude = 0
longitude = 0
timezone = "UTC"
region = "nec"
[timing]
margin_s = 0.03
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
datasheet = "count.toml"
[[circuit.lamp]]
name = "south end"
datasheet = "step.toml"
[[scene]]
name = "rill"
"""
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
power_factor = 0.9
volts = [11, 12]
[[scene]]
code = 1
name = "rill"
colour = "#0a7f8f"
watts = 30
"""
STEP = """\
[lamp]
name = "step lamp"
selects_by = "step"
after_power_down = "first"
clock_tolerance = 0
[off]
ignored = [0, 0]
pulse = [0.1, 2]
power_down = [5, inf]
[on]
same_train = [0.2, 0.21]
[[scene]]
code = 1
name = "rill"
colour = "#0a7f8f"
"""
CAUTION = (
    "basin: pool lighting falls under NEC Article 680 and the local code: "
    "leave what they ask for to a licensed electrician; this check replaces nothing"
)
EATEN = (
    "clock_tolerance 0.03, margin_s 0.03 s and the relay's spread 0.006 s: "
    "measure the lamp or the relay more closely, or take a relay with less spread"
)
TELL = 'say what each shows: --from "south end"=SCENE'


def told(folder: Path, *changes: tuple[str, str]) -> list[str]:
    """All doubts after replacing text in whichever of the three files holds it."""
    texts = {"site.toml": SITE, "count.toml": COUNT, "step.toml": STEP}
    for old, new in changes:
        (name,) = [name for name, text in texts.items() if old in text]
        texts[name] = texts[name].replace(old, new)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [str(doubt) for doubt in doubts(load_site(folder / "site.toml"))]


def test_a_doubt_is_one_plain_line() -> None:
    assert str(Doubt("deep", "the contact is odd", "look at it")) == "deep: the contact is odd: look at it"


def test_a_sound_site_gets_its_regions_caution_and_nothing_else(tmp_path: Path) -> None:
    assert told(tmp_path) == [CAUTION]


@pytest.mark.parametrize(
    "change",
    [
        # a step lamp's same_train has no end that matters, so it cannot be closed (0.2-0.21 s above)
        ("same_train = [0.2, 0.21]", "same_train = [0.2, 0.2]"),
        # a closed `ignored` only means that no break is ridden through on purpose
        ("ignored = [0, 0.02]", "ignored = [0, 0]"),
        # a count lamp that remembers needs no power-down
        ("power_down = [10.0, inf]", "power_down = [90.0, inf]"),
        # so short a supply comes too soon after a short break, but not after a long one
        ("same_train = [0.15, 2.0]", "same_train = [0.1, 0.2]"),
        # the limits themselves are allowed
        ("volts = [11, 12]", "volts = [11, 15]"),
        # delays that are long but alike are compensated; only their spread counts
        ("make_s = [0.005, 0.012]", "make_s = [0.5, 0.507]"),
    ],
)
def test_what_does_no_harm_is_no_doubt(tmp_path: Path, change: tuple[str, str]) -> None:
    assert told(tmp_path, change) == [CAUTION]


CASES = [
    (
        [('"nec"', '"iec"')],
        (
            "basin: pool lighting falls under IEC 60364-7-702 and the national rules made from it: "
            "leave what they ask for to a licensed electrician; this check replaces nothing"
        ),
    ),
    # spread: half of 0.06 plus half of 0.005
    (
        [("[0.005, 0.012]", "[0, 0.06]")],
        (
            "deep: the relay's delays vary by 0.0325 s either way, more than margin_s = 0.03 s: "
            "measure make_s and break_s more closely, or take a faster relay"
        ),
    ),
    (
        [("normally_closed", "normally_open")],
        (
            "deep: the contact is normally open: a dead board leaves the water dark: "
            "wire the lamps to the normally closed contact"
        ),
    ),
    (
        [('"secondary"', '"primary"')],
        (
            "deep: the relay switches the mains side: mains can kill, and inrush wears its contact: "
            "leave it to a licensed electrician under the local code, or switch the secondary"
        ),
    ),
    # 0.12/0.97 + 0.036 = 0.1597 s is above 0.19/1.03 - 0.036 = 0.1485 s; at 0.21 it would be 0.1679 s
    (
        [("pulse = [0.12, 2.0]", "pulse = [0.12, 0.19]")],
        f"deep: count: [off] pulse (0.12-0.19 s) is closed by {EATEN}",
    ),
    (
        [("reset = [6.5, 8.0]", "reset = [7.9, 8.0]")],
        f"deep: count: [off] reset (7.9-8.0 s) is closed by {EATEN}",
    ),
    (
        [("same_train = [0.15, 2.0]", "same_train = [1.9, 2.0]")],
        f"deep: count: [on] same_train (1.9-2.0 s) is closed by {EATEN}",
    ),
    # 6.5/0.97 + 0.036 = 6.737 s
    (
        [("margin_s = 0.03", "max_dark_s = 6.7")],
        (
            "deep: count: [off] reset (6.5-8.0 s) is beyond max_dark_s 6.7 s: "
            "it takes 6.74 s: raise max_dark_s only if that is safe there"
        ),
    ),
    # the longest pulse, 0.25/1.03 - 0.036 s, and the longest supply after it, 0.35/1.03 - 0.036 s, make
    # 0.5105 s together; at 1.9 flashes a second one takes 0.5263 s
    (
        [
            ("margin_s = 0.03", "max_flashes_per_s = 1.9"),
            ("pulse = [0.12, 2.0]", "pulse = [0.12, 0.25]"),
            ("same_train = [0.15, 2.0]", "same_train = [0.15, 0.35]"),
        ],
        (
            "deep: count: max_flashes_per_s 1.9 leaves no second break within [on] same_train (0.15-0.35 s): "
            "only its scene with code 1 is within reach; faster flashes are not safe"
        ),
    ),
    ([('"first"', '"remembered"')], f"deep: step: no break brings it to a known scene: {TELL}"),
    ([('"first"', '"next"')], f"deep: step: no break brings it to a known scene: {TELL}"),
    (
        [('name = "rill"\ncolour = "#0a7f8f"\nwatts', 'name = "reed"\ncolour = "#0a7f8f"\nwatts')],
        'deep: count: it has no scene for "rill": give scene "rill" a pick for count, or do not send it here',
    ),
    (
        [('colour = "#0a7f8f"\nwatts', "watts")],
        (
            'count: scene "rill": no colour, so that it cannot be compared when a nearest scene is sought: '
            "write roughly what it looks like: colour = ..."
        ),
    ),
    (
        [('colour = "#0a7f8f"\nwatts', "period_s = 9\nwatts")],
        (
            'count: scene "rill": no colours, so that it cannot be compared when a nearest scene is sought: '
            "write roughly what it looks like: colours = ..."
        ),
    ),
    (
        [("\nwatts = 30\npower", "\nwatts = 29\npower")],
        (
            'count: scene "rill": takes 30 W, more than the worst case of 29 W: '
            "raise [electrical] watts, which the transformer is reckoned from"
        ),
    ),
    (
        [("volts = [11, 12]", "volts = [11, 15.5]")],
        (
            "count: [electrical] volts go to 15.5 V, above 15 V RMS: the low voltage contact limit "
            "of NEC 680.2: keep the supply at or below that; ask a licensed electrician"
        ),
    ),
    (
        [('[[scene]]\nname = "rill"\n', "")],
        "basin: the site has no scenes: add a [[scene]] with a name and picks",
    ),
]


@pytest.mark.parametrize(("changes", "expected"), CASES)
def test_each_doubt_comes_alone_with_its_line(
    tmp_path: Path, changes: list[tuple[str, str]], expected: str
) -> None:
    """The caution first; a case about the caution itself has only that."""
    lines = told(tmp_path, *changes)
    assert lines == ([expected] if expected.startswith("basin: pool lighting") else [CAUTION, expected])


def test_the_iec_limit_is_lower(tmp_path: Path) -> None:
    (_, line) = told(tmp_path, ('"nec"', '"iec"'), ("volts = [11, 12]", "volts = [11, 12.5]"))
    assert line == (
        "count: [electrical] volts go to 12.5 V, above 12 V RMS: SELV in zone 0 by IEC 60364-7-702: "
        "keep the supply at or below that; ask a licensed electrician"
    )


def test_a_homing_break_that_is_too_long_leaves_a_step_lamp_lost(tmp_path: Path) -> None:
    lines = told(tmp_path, ("margin_s = 0.03", "max_dark_s = 5"), ("reset = [6.5, 8.0]\n", ""))
    assert lines[1:] == [
        (
            "deep: step: [off] power_down (5.0-inf s) is beyond max_dark_s 5 s: "
            "it takes 5.04 s: raise max_dark_s only if that is safe there"
        ),
        f"deep: step: no break brings it to a known scene: {TELL}",
    ]


@pytest.mark.parametrize(("pin", "doubted"), [("27", False), ('"GPIO27"', False), ('"BOARD11"', True)])
def test_pins_numbered_in_two_ways_cannot_be_told_apart(tmp_path: Path, pin: str, doubted: bool) -> None:
    circuit = SITE[SITE.index("[[circuit]]") : SITE.index('[[circuit.lamp]]\nname = "south')]
    second = circuit.replace('"deep"', '"side"').replace("pin = 17", f"pin = {pin}")
    lines = told(tmp_path, ("[timing]", f"{second}[timing]"))
    expected = (
        "basin: pins are numbered in more than one way, so that one pin used twice would not be seen: "
        'write all of them as "GPIO17"'
    )
    assert (expected in lines) is doubted


@pytest.mark.parametrize(
    ("line", "doubted"), [('port = "/dev/ttyS0"', False), ('serial_number = "QL7"', True)]
)
def test_lines_named_in_two_ways_cannot_be_told_apart(tmp_path: Path, line: str, doubted: bool) -> None:
    circuit = SITE[SITE.index("[[circuit]]") : SITE.index('[[circuit.lamp]]\nname = "south')]
    circuit = circuit.replace('"gpio"\npin = 17', '"modbus"\nport = "/dev/ttyUSB0"\nunit = 1\ncoil = 0')
    one, other = circuit.replace('"deep"', '"side"'), circuit.replace('"deep"', '"far"')
    other = other.replace('port = "/dev/ttyUSB0"', line)
    lines = told(tmp_path, ("[timing]", f"{one}{other}[timing]"))
    expected = (
        "basin: serial lines are named by serial_number and by port, so that one line named twice would not "
        "be seen: name all of them in one way"
    )
    assert (expected in lines) is doubted
    kept = ": if the line is lost in a break, the board keeps the lamps dark: "
    assert [doubt.split(":")[0] for doubt in lines if kept in doubt] == ["side", "far"]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (
            ("make_s = [0.005, 0.012]", "make_s = [1.5, 1.6]"),
            "deep: [relay] make_s 1.5-1.6 s looks like milliseconds: write [0.0015, 0.0016] if it is",
        ),
        (
            ("break_s = [0.003, 0.008]", "break_s = [0, 2]"),
            "deep: [relay] break_s 0-2 s looks like milliseconds: write [0, 0.002] if it is",
        ),
        (
            (
                "pulse = [0.12, 2.0]\nreset = [6.5, 8.0]\npower_down = [10.0, inf]",
                "pulse = [12, 20]\npower_down = [30, inf]",
            ),
            "count: [off] pulse 12-20 s looks like milliseconds: write [0.012, 0.02] if it is",
        ),
        (
            ("power_down = [10.0, inf]", "power_down = [10000, inf]"),
            "count: [off] power_down 10000-inf s looks like milliseconds: write [10, inf] if it is",
        ),
        (
            ("settled = [3.5, inf]", "settled = [350, inf]"),
            "count: [on] settled 350-inf s looks like milliseconds: write [0.35, inf] if it is",
        ),
        (
            ("margin_s = 0.03", "max_dark_s = 20000"),
            "basin: [timing] max_dark_s 20000 s looks like milliseconds: write 20 if it is",
        ),
    ],
)
def test_what_may_be_in_milliseconds_is_doubted(
    tmp_path: Path, change: tuple[str, str], expected: str
) -> None:
    assert expected in told(tmp_path, change)
