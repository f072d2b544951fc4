"""Captures of a contact against a plan: written by pyvcd, converted by sigrok-cli, bounced, glitched and cut off."""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest
import vcd

from sequencer.bench.capture import Wave, read_capture
from sequencer.bench.contact import judge_contact, settle
from sequencer.cli.judge import _delay_lines
from sequencer.cli.main import main
from sequencer.clock import VirtualClock
from sequencer.errors import InputError
from sequencer.sim.relay import SimContact
from sequencer.train import Delays, Pulse

PULSES = (Pulse(0.15, 0.19), Pulse(0.15, 0.4), Pulse(0.6, 3.7))
PLAN = {
    "circuit": "lap-pool",
    "scene": "evening",
    "pulses": [pulse._asdict() for pulse in PULSES],
    "lamps": [{"slack_s": 0.03}, {"slack_s": None}, {"slack_s": 0.05}],
    "basis": {
        "start": "rest",
        "lamps": [
            {
                "lamp": "north",
                "datasheet": "bench",
                "wanted": 3,
                "known": None,
                "sheet": {
                    "lamp": {
                        "name": "Bench type",
                        "selects_by": "count",
                        "after_power_down": "remembered",
                        "clock_tolerance": 0.0,
                    },
                    "off": {"ignored": [0, 0.02], "pulse": [0.12, 3.0], "power_down": [10.0, None]},
                    "on": {"same_train": [0.15, 2.0], "settled": [3.5, None]},
                    "scene": [{"code": code, "name": f"scene {code}"} for code in range(1, 6)],
                },
            }
        ],
    },
}
Changes = list[tuple[float, bool]]


def train(start: float = 1.0, pulses: Sequence[Pulse] = PULSES) -> Changes:
    """A perfect contact: open at start, and so on; True is closed."""
    changes = []
    for pulse in pulses:
        changes += [(start, False), (start + pulse.off_s, True)]
        start += pulse.off_s + pulse.on_s
    return changes


def capture(
    path: Path, end: float = 8.0, inverted: bool = False, unit: str = "1 us", **wires: Changes
) -> Path:
    scale = {"1 us": 1e6, "10 us": 1e5, "100 ns": 1e7}[unit]
    text = io.StringIO()
    with vcd.VCDWriter(text, timescale=unit, date="") as writer:
        names = {
            name: writer.register_var("logic", name, "wire", size=1, init=int(not inverted)) for name in wires
        }
        both = sorted((at, name, level) for name, changes in wires.items() for at, level in changes)
        for at, name, level in both:
            writer.change(names[name], round(at * scale), int(level != inverted))
        writer.close(round(end * scale))
    path.write_text(text.getvalue())
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(PLAN))
    return path


@pytest.fixture
def judged(
    tmp_path: Path, plan: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, dict[str, Any]]]:
    def judged(*options: str, **given: Any) -> tuple[int, dict[str, Any]]:
        path = capture(tmp_path / "c.vcd", **given)
        status = main(["judge", str(path), "--plan", str(plan), "--json", *options])
        return status, json.loads(capsys.readouterr().out)

    return judged


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("unit", ["1 us", "10 us", "100 ns"])
def test_a_perfect_contact_either_way_round(judged: Any, inverted: bool, unit: str) -> None:
    status, found = judged(contact=train(), inverted=inverted, unit=unit)
    assert (status, found["spoiled"], found["reasons"]) == (0, False, [])
    assert found["closed_is"] == int(not inverted)
    assert found["first_edge_s"] == pytest.approx(1.0)
    assert [each["measured_s"] for each in found["lengths"][:-1]] == pytest.approx(
        [0.15, 0.19, 0.15, 0.4, 0.6]
    )
    assert found["worst_bounce_s"] == 0
    assert found["slack_s"] == 0.03


def test_bounce_belongs_to_its_edge(judged: Any) -> None:
    """A closing that bounces twice over 3 ms is closed when it is closed for good."""
    changes = train()
    at, _ = changes[1]
    changes[1:2] = [
        (at - 0.003, True),
        (at - 0.002, False),
        (at - 0.0015, True),
        (at - 0.0005, False),
        (at, True),
    ]
    status, found = judged(contact=changes)
    assert status == 0
    assert found["edges"][1]["bounces"] == 2
    assert found["edges"][1]["bounce_s"] == pytest.approx(0.003)
    assert found["lengths"][0]["measured_s"] == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("which", "by", "reason"),
    [
        (1, 0.031, "break 1 is 31.0 ms longer than planned; slack is 30.0 ms"),
        (1, -0.04, "break 1 is 40.0 ms shorter than planned; slack is 30.0 ms"),
        (2, 0.035, "supply after break 1 is 35.0 ms longer than planned; slack is 30.0 ms"),
        (5, 0.2, "break 3 is 200.0 ms longer than planned; slack is 30.0 ms"),
    ],
)
def test_a_length_beyond_the_slack_spoils(judged: Any, which: int, by: float, reason: str) -> None:
    changes = [(at + by * (i >= which), level) for i, (at, level) in enumerate(train())]
    status, found = judged(contact=changes)
    assert (status, found["reasons"][0]) == (1, reason)


def test_within_the_slack_is_well(judged: Any) -> None:
    changes = [(at + 0.0299 * (i >= 3), level) for i, (at, level) in enumerate(train())]
    status, found = judged(contact=changes)
    assert status == 0
    assert found["lengths"][2]["off_by_s"] == pytest.approx(0.0299)


@pytest.mark.parametrize("at", [0.5, 1.7, 3.0, 7.0])
def test_a_glitch_anywhere_spoils(judged: Any, at: float) -> None:
    """The lamp rides through it, but a contact that moves by itself is not to be trusted."""
    status, found = judged(contact=sorted([*train(), (at, False), (at + 0.004, True)]))
    assert (status, found["reasons"]) == (1, [f"the contact moved for 4.0 ms at {at:.4f} s, unplanned"])
    assert found["lamps"][0]["certain"]


def test_a_spike_on_the_probe_is_told_and_left_out(judged: Any) -> None:
    status, found = judged(contact=sorted([*train(), (1.7, False), (1.7001, True)]))
    assert (status, found["spikes"], found["glitches"]) == (0, 1, [])


def test_other_breaks_before_the_train_count_by_what_the_lamp_made_of_them(judged: Any) -> None:
    status, found = judged(contact=[(0.2, False), (0.5, True), *train(4.5)], end=12.0)
    assert (status, found["first_edge_s"]) == (0, pytest.approx(4.5))
    status, found = judged(contact=[(0.2, False), (0.5, True), *train(2.0)])
    assert (status, found["first_edge_s"]) == (1, pytest.approx(2.0))
    assert found["reasons"] == ['north ends on "scene 4", not on "scene 3"']


def test_a_capture_that_ends_too_soon(judged: Any) -> None:
    status, found = judged(contact=train()[:4], end=3.0)
    assert (status, found["reasons"][0]) == (1, "2 of the plan's 6 edges are not in the capture")
    status, found = judged(contact=train(), end=4.0)
    assert (status, found["reasons"][0]) == (
        1,
        "the capture ends 2.190 s before supply after break 3 is over",
    )
    assert found["reasons"][1:] == ["north may still be counting when the capture ends"]
    status, found = judged(contact=[*train(), (4.0, False)], end=8.0)
    assert (status, found["reasons"][0]) == (
        1,
        "the contact opens 2.190 s before supply after break 3 is over",
    )
    assert found["reasons"][1] == "the contact is open from 4.0000 s to the end of the capture"
    status, found = judged(contact=[], end=8.0)
    assert (status, found["reasons"][0]) == (1, "6 of the plan's 6 edges are not in the capture")


def test_the_delays_are_those_of_the_contact(judged: Any) -> None:
    """A contact simulated within known delays, with bounce: what comes out lies within them, and fits the train."""
    delays, clock = Delays((0.005, 0.012), (0.003, 0.008)), VirtualClock()
    contact = SimContact(clock, delays, True, Random(7), manner="drawn", bounce=True)
    commands = [
        (at - (delays.mean_make_s if level else delays.mean_break_s), level)
        for at, level in train(pulses=PULSES * 5)
    ]
    for at, level in commands:
        clock.sleep_until(at)
        contact.set(level)
    status, found = judged(
        "--signal", "contact", "--command", "coil", contact=list(contact.edges), coil=commands, end=30.0
    )
    assert status == 0
    for name, (least, greatest) in (("make_s", delays.make_s), ("break_s", delays.break_s)):
        assert least - 1e-6 <= found[name][0] < found[name][1] <= greatest + 1e-6
    assert 0 < found["worst_bounce_s"] < 0.007
    assert sum(edge["bounces"] for edge in found["edges"] if edge["closed"]) > 0
    assert not any(edge["bounces"] for edge in found["edges"] if not edge["closed"])


def test_without_the_command_the_difference_of_the_delays_is_told(judged: Any) -> None:
    late = [(at + 0.006 * level, level) for at, level in train()]
    _, found = judged(contact=late)
    assert found["breaks_longer_s"] == pytest.approx(0.006)
    assert found["make_s"] is None
    wave = Wave("contact", True, tuple(late), 10.0)
    words, _ = _delay_lines(judge_contact(wave, PULSES, 0.03))
    assert (
        words
        == "Breaks are 6.0 ms longer than planned, on the mean: by so much the relay's make_s less its break_s is off."
    )


def test_one_signal_of_several_is_named(
    tmp_path: Path, plan: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = capture(tmp_path / "two.vcd", contact=train(), coil=train())
    assert main(["judge", str(path), "--plan", str(plan)]) == 2
    words = 'name the signal with --signal: it has "logic.contact", "logic.coil"'
    assert words in capsys.readouterr().err
    assert main(["judge", str(path), "--plan", str(plan), "--signal", "contct"]) == 2
    assert 'no signal "contct": did you mean "logic.contact"?' in capsys.readouterr().err
    for name in ("contact", "logic.contact"):
        assert main(["judge", str(path), "--plan", str(plan), "--signal", name]) == 0
    out = capsys.readouterr().out
    assert "every length is within the plan's slack of 30.0 ms" in out


def test_what_play_wrote_is_a_capture_too(tmp_path: Path, plan: Path) -> None:
    """The player's own dump of due edges: an outside check of either."""
    from sequencer.player.vcd import vcd_text
    from sequencer.train import EdgeLog, Stamp

    stamps = tuple(Stamp(at, at - 0.005, at - 0.005, level) for at, level in train())
    path = tmp_path / "play.vcd"
    path.write_text(vcd_text(EdgeLog(stamps, "finished", rested_s=7.0)))
    assert main(["judge", str(path), "--plan", str(plan), "--signal", "due"]) == 0


@pytest.mark.debian
@pytest.mark.parametrize("rate", [1_000, 10_000])
def test_a_capture_that_went_through_sigrok(tmp_path: Path, rate: int) -> None:
    """sigrok-cli reads our dump as samples and writes its own: another program's reader and writer between."""
    if not shutil.which("sigrok-cli") and not os.environ.get("CI"):
        pytest.skip("sigrok-cli is not installed")
    path = capture(tmp_path / "ours.vcd", contact=train(), coil=train())
    theirs = tmp_path / "theirs.vcd"
    options = f"vcd:downsample={1_000_000 // rate}"
    subprocess.run(
        ["sigrok-cli", "-i", str(path), "-I", options, "-O", "vcd", "-o", str(theirs)], check=True, timeout=60
    )
    assert "sigrok" in theirs.read_text()
    waves = read_capture(theirs)
    assert len(waves) == 2
    wave = next(wave for name, wave in waves.items() if name.endswith("contact"))
    found = judge_contact(wave, PULSES, 0.03)
    assert not found.spoiled
    assert all(abs(each.off_by_s or 0) <= 1.5 / rate for each in found.lengths)


def test_what_is_unknown_is_not_guessed_at(tmp_path: Path) -> None:
    path = capture(tmp_path / "c.vcd", contact=train())
    text = path.read_text()
    path.write_text(text.replace("#1150000\n1", "#1100000\nx!\n#1120000\nz!\n#1150000\n1", 1))
    found = judge_contact(read_capture(path)["logic.contact"], PULSES, 0.03)
    assert found.reasons[0] == "the level was unknown (x or z) for 50.0 ms at 1.1000 s"


HEAD = "$timescale 1 us $end $scope module m $end $var wire 1 ! c $end $upscope $end $enddefinitions $end\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no \\$timescale"),
        ("not a dump at all", "no value change dump"),
        ("$timescale 1 us $end", "no wire of one bit"),
        ("$timescale 3 parsecs $end", "no value change dump"),
        (HEAD + "#10\n1!\n#5\n0!\n", "time runs backwards at line 4"),
        (HEAD + "#ten\n", "no value change dump, or a damaged one"),
        (
            "$timescale 1 us $end $var wire 8 ! bus $end $enddefinitions $end\n#1\nb101 !\n",
            "no wire of one bit",
        ),
        ("\x00\xff" * 100, "no value change dump, or a damaged one"),
    ],
)
def test_no_dump_or_a_damaged_one(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.vcd"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(InputError, match=words):
        read_capture(path)


def test_a_dump_cut_off_anywhere_is_a_clear_line_or_a_no(tmp_path: Path, plan: Path) -> None:
    whole = capture(tmp_path / "c.vcd", contact=train()).read_bytes()
    for length in range(0, len(whole), 3):
        path = tmp_path / "cut.vcd"
        path.write_bytes(whole[:length])
        assert main(["judge", str(path), "--plan", str(plan)]) in {1, 2}, length


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "cannot be read as JSON"),
        ("[]", "not what lampstep plan --json prints"),
        ('{"pulses": null, "reason": "too dark"}', "it is a refusal, not a train: too dark"),
        (json.dumps({**PLAN, "pulses": []}), "its train has 0 breaks"),
        (json.dumps({**PLAN, "pulses": [{"off_s": -1, "on_s": 1}]}), "not what lampstep plan"),
        (json.dumps({**PLAN, "pulses": [{"off_s": float("nan"), "on_s": 1}]}), "not what lampstep plan"),
        (json.dumps({**PLAN, "pulses": [{"off_s": True, "on_s": 1}]}), "not what lampstep plan"),
        (json.dumps({**PLAN, "lamps": 3}), "not what lampstep plan"),
        ("[" * 100_000, "cannot be read as JSON"),
    ],
)
def test_no_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str) -> None:
    path = tmp_path / "bad.json"
    path.write_text(text)
    trace = capture(tmp_path / "c.vcd", contact=train())
    assert main(["judge", str(trace), "--plan", str(path)]) == 2
    assert words in capsys.readouterr().err


def test_settling_by_hand() -> None:
    from sequencer.bench.capture import Wave

    wave = Wave("c", True, ((1.0, False), (1.002, True), (1.003, False), (2.0, True), (2.02, False)), 3.0)
    edges, glitches, spikes = settle(wave, 0.01)
    assert [(e.first_s, e.at_s, e.level, e.bounces) for e in edges] == [
        (1.0, 1.003, False, 1),
        (2.0, 2.0, True, 0),
        (2.02, 2.02, False, 0),
    ]
    assert (glitches, spikes) == ([], 0)
