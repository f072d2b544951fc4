"""Both renderers on one story, and the picture in the README."""

from __future__ import annotations

import io
import re
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.text import Text

from sequencer.clock import VirtualClock
from sequencer.datasheet import LampScene
from sequencer.demo import coloured, picture
from sequencer.demo.coloured import colour_at, drawing, show, show_summary
from sequencer.demo.plain import lane_text, story_lines, summary_lines
from sequencer.demo.story import Step, summed
from sequencer.demo.strip import columns

ROOT = Path(__file__).parents[2]
ESCAPES = re.compile("\x1b\\[[0-9;?]*[A-Za-z]")


def console(width: int = 94, *, terminal: bool = True) -> Console:
    return Console(
        file=io.StringIO(),
        width=width,
        force_terminal=terminal,
        color_system="truecolor" if terminal else None,
        highlight=False,
        legacy_windows=False,
        _environ={},
    )


def said(on: Console) -> str:
    assert isinstance(on.file, io.StringIO)
    return on.file.getvalue()


# -- plain -----------------------------------------------------------------------------------------


def test_plain_lines_of_the_first_step(story: tuple[Step, ...]) -> None:
    assert list(story_lines(story[:1]))[:15] == [
        "",
        "1. Dusk at the lap pool",
        '  5 lamps of 2 types hang on one relay and show 4 different scenes. "evening"',
        "  is millpond (scene 1 of 7) for type-a and dragonfly (scene 2 of 5) for",
        "  type-c. This train brings every lamp there, whatever it shows now:",
        "",
        "  break   off s    on s   type-a             type-c",
        "      1   3.369   1.286   plain off and on   back to its first scene",
        "      2   0.505   3.644   counts 1           steps on",
        "  2 breaks in 8.80 s, dark for 3.87 s, at most 3.37 s at once",
        "",
        "  proved for   ends on       slack   tightest",
        "  type-a       millpond    30.0 ms   supply after break 2: settled begins at 3.5 s",
        "  type-c       dragonfly   30.0 ms   break 1: reset begins at 3.2 s",
        "",
    ]


def test_plain_lines_tell_all_and_obey_nothing(story: tuple[Step, ...]) -> None:
    lines = list(story_lines(story))
    assert all(line.isprintable() and line.isascii() and len(line) <= 94 for line in lines)
    for number, step in enumerate(story, start=1):
        assert f"{number}. {step.title}" in lines
        assert not step.after or f"  {step.after}" in lines
    text = "\n".join(lines)
    assert text.count("astray") == sum(
        not lane.matched for step in story if step.strip for lane in step.strip.lanes
    )
    assert text.endswith("Nearest in colour that can be had: slate on type-a, slate on type-e.")


def test_a_plan_not_proved_and_a_refusal_without_anything_near(story: tuple[Step, ...]) -> None:
    assert story[0].plan is not None
    assert story[-1].refusal is not None
    unproved = story[0]._replace(plan=story[0].plan._replace(proved=False))
    hopeless = story[-1]._replace(refusal=story[-1].refusal._replace(nearest=None))
    lines = list(story_lines([unproved, hopeless]))
    assert any(line.startswith("  holds for   ends on") for line in lines)
    assert lines[-1] == "  Nearest in colour that can be had: nothing."


def test_a_lane_in_characters(story: tuple[Step, ...]) -> None:
    strip = story[0].strip
    assert strip is not None
    text = lane_text(strip.lanes[0], columns(strip, 44))
    assert re.fullmatch(r"3+\.+3+\.+3+1+", text)


def test_the_summary_in_two_lines(story: tuple[Step, ...]) -> None:
    assert summary_lines(summed(story)) == [
        "  4 trains: 18 of 18 lamps matched.",
        "  Tightest slack: 30.0 ms, lap-pool north, at supply after break 2: settled begins at 3.5 s.",
    ]


# -- coloured --------------------------------------------------------------------------------------


def test_every_lamp_ends_in_the_colour_of_its_scene(story: tuple[Step, ...]) -> None:
    strip = story[0].strip
    assert strip is not None
    drawn = columns(strip, 50)
    supply, *rows = drawing(strip, drawn, len(drawn), 11).renderables
    for row, lane in zip(rows, strip.lanes, strict=True):
        ends = lane.scene_at(strip.length_s)
        assert isinstance(row, Text)
        assert ends is not None
        painted = [s.style.bgcolor.name for s in console().render(row) if s.style and s.style.bgcolor]
        assert painted[-1] == ends.colour
        assert row.plain.startswith(f"  {lane.lamp:11} ")
        assert row.plain.endswith(f"✓ {ends.name}")
    assert isinstance(supply, Text)
    lit = {s.style.bgcolor.name for s in console().render(supply) if s.style and s.style.bgcolor}
    assert lit == {coloured.SUPPLY, coloured.NIGHT}


def test_without_colours_the_words_are_those_of_the_plain_one(story: tuple[Step, ...]) -> None:
    on = console(terminal=False)
    show(story, on, clock=None)
    show_summary(summed(story), on)
    shown = set(said(on).splitlines())
    lanes = re.compile(r"  (supply|north|middle|south|ladder|ledge|spout)")
    plain = [line for line in story_lines(story) if not lanes.match(line)]
    assert set(plain) <= shown
    assert set(summary_lines(summed(story))) <= shown


def test_it_is_told_in_under_15_s(story: tuple[Step, ...]) -> None:
    clock = VirtualClock(100.0)
    show(story, console(), clock)
    assert clock.now() - 100.0 == pytest.approx(7 * coloured.READ_S + 6 * (coloured.DRAW_S + coloured.LOOK_S))
    assert clock.now() - 100.0 < 14


def test_twice_the_speed_takes_half_the_time(story: tuple[Step, ...]) -> None:
    whole, half = VirtualClock(), VirtualClock()
    show(story[:2], console(), whole)
    show(story[:2], console(), half, speed=2.0)
    assert half.now() == pytest.approx(whole.now() / 2)


def test_time_spent_thinking_is_not_waited_for_again(story: tuple[Step, ...]) -> None:
    brisk, slow = VirtualClock(), VirtualClock()
    show(story[:3], console(), brisk)

    def thinking() -> object:
        for step in story[:3]:
            slow.sleep_until(slow.now() + 0.4)
            yield step

    assert show(thinking(), console(), slow) == story[:3]  # type: ignore[arg-type]
    assert slow.now() == pytest.approx(brisk.now())


def test_what_was_drawn_bit_by_bit_ends_as_what_is_drawn_at_once(story: tuple[Step, ...]) -> None:
    moving, still = console(), console()
    show(story[:2], moving, VirtualClock())
    show(story[:2], still, clock=None)
    ends = [ESCAPES.sub("", line).strip() for line in said(moving).split("\n")]
    for line in said(still).splitlines():
        assert ESCAPES.sub("", line).strip() in ends


@pytest.mark.parametrize("width", [20, 40, 80, 200])
def test_any_terminal_is_wide_enough(story: tuple[Step, ...], width: int) -> None:
    on = console(width)
    assert show(story, on, VirtualClock()) == story


HEX = st.from_regex("#[0-9a-f]{6}", fullmatch=True)


@given(st.lists(HEX, min_size=1, max_size=5), st.floats(0.5, 60), st.floats(0, 1000))
def test_a_moving_scene_comes_back_after_its_period(colours: list[str], period_s: float, at_s: float) -> None:
    scene = LampScene(code=1, name="ebb", period_s=period_s, colours=tuple(colours))
    one, again = (bytes.fromhex(colour_at(scene, t)[1:]) for t in (at_s, at_s + period_s))
    assert all(abs(a - b) <= 1 for a, b in zip(one, again, strict=True))
    assert [colour_at(scene, period_s * n / len(colours) + 1e-9) for n in range(len(colours))] == colours


def test_a_scene_without_a_colour_is_grey() -> None:
    assert colour_at(LampScene(code=1, name="ebb"), 3.0) == "#808080"


# -- the picture -----------------------------------------------------------------------------------


def words_of(svg: str) -> list[str]:
    return [
        unescape(text).replace("\xa0", " ").strip() for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)
    ]


def test_the_picture_in_the_docs_is_what_the_demo_shows() -> None:
    """If this fails: python -m sequencer.demo.picture docs/demo.svg, and look at it."""
    kept = (ROOT / "docs" / "demo.svg").read_text(encoding="utf-8")
    fresh = picture.picture()
    assert words_of(kept) == words_of(fresh)
    assert sorted(set(re.findall(r"#[0-9a-f]{6}", kept))) == sorted(set(re.findall(r"#[0-9a-f]{6}", fresh)))


def test_the_picture_fetches_nothing() -> None:
    kept = (ROOT / "docs" / "demo.svg").read_text(encoding="utf-8")
    assert set(re.findall(r"https?://[^\"' )]+", kept)) == {"http://www.w3.org/2000/svg"}
