"""The story in the lamps' own colours, drawn as time goes by; it never waits longer than it planned to."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import groupby

from rich.console import Console, Group
from rich.live import Live
from rich.style import Style
from rich.text import Text

from sequencer.clock import Clock
from sequencer.datasheet import LampScene
from sequencer.demo.plain import summary_lines, train_lines, words_lines
from sequencer.demo.story import Lane, Step, Strip, Summary
from sequencer.demo.strip import Column, columns

READ_S, DRAW_S, LOOK_S = 0.7, 1.0, 0.3
"""To read what comes, to draw it, to look at what came: 2 s a step, so that a story is told in 15."""
FRAMES = 25
SUPPLY, DIM, GOOD, ASTRAY, NIGHT = "#e8b04a", "#7d8b93", "#7fc98f", "#d98a5b", "#10171c"


def show(
    steps: Iterable[Step], console: Console, clock: Clock | None, speed: float = 1.0
) -> tuple[Step, ...]:
    """Show every step as soon as it is there and its time has come; without a clock all at once.

    Deadlines count from the start: what a slow board takes to think is not waited for again.
    """
    shown = []
    due_s = 0.0 if clock is None else clock.now()

    def until(more_s: float) -> None:
        nonlocal due_s
        due_s += more_s / speed
        if clock is not None:
            clock.sleep_until(due_s)

    for number, step in enumerate(steps, start=1):
        console.print()
        console.print(Text(f"{number}. {step.title}", style="bold"))
        for line in words_lines(step):
            console.print(Text(line), soft_wrap=True)
        for line in train_lines(step):
            console.print(Text(line, style=DIM), soft_wrap=True)
        until(READ_S)
        if step.strip is not None:
            console.print()
            _draw(step.strip, console, until if clock is not None else None)
        if step.after:
            console.print(Text(f"  {step.after}"))
            until(LOOK_S)
        shown.append(step)
    return tuple(shown)


def show_summary(summary: Summary, console: Console) -> None:
    """The sums."""
    console.print()
    style = f"bold {GOOD if summary.matched == summary.lamps else ASTRAY}"
    for line in summary_lines(summary):
        console.print(Text(line, style=style), soft_wrap=True)


def _draw(strip: Strip, console: Console, until: Callable[[float], None] | None) -> None:
    names = max(len(lane.lamp) for lane in strip.lanes)
    scenes = max(len(scene.name) for lane in strip.lanes for scene in lane.sheet.scenes)
    drawn = columns(strip, min(console.width - names - scenes - 8, 60))
    if until is None:
        console.print(drawing(strip, drawn, len(drawn), names), soft_wrap=True)
        return
    with Live(console=console, auto_refresh=False, vertical_overflow="visible") as live:
        for frame in range(1, FRAMES + 1):
            live.update(drawing(strip, drawn, len(drawn) * frame // FRAMES, names), refresh=True)
            until(DRAW_S / FRAMES)


def drawing(strip: Strip, drawn: tuple[Column, ...], count: int, names: int) -> Group:
    """The first ``count`` columns of the supply and of every lamp."""
    supply = Text(f"  {'supply':{names}} ", style=DIM)
    _paint(supply, ((" ", SUPPLY if column.on else NIGHT) for column in drawn[:count]))
    rows = [supply, *(_lane(lane, drawn[:count], names, whole=count == len(drawn)) for lane in strip.lanes)]
    return Group(*rows)


def _lane(lane: Lane, drawn: tuple[Column, ...], names: int, *, whole: bool) -> Text:
    """A lamp's colours, with the number of each scene where it begins."""
    scenes = [lane.scene_at(column.middle_s) for column in drawn]
    row = Text(f"  {lane.lamp:{names}} ")
    _paint(
        row,
        (
            (" ", NIGHT)
            if scene is None
            else (str(scene.code)[-1] if scene is not before else " ", colour_at(scene, column.middle_s))
            for before, scene, column in zip([None, *scenes], scenes, drawn, strict=False)
        ),
    )
    if whole and drawn:
        ends = lane.scene_at(drawn[-1].end_s)
        row.append(f"  {'✓' if lane.matched else '✗'} ", style=GOOD if lane.matched else ASTRAY)
        row.append("dark" if ends is None else ends.name)
    return row


def _paint(row: Text, cells: Iterable[tuple[str, str]]) -> None:
    """Append characters on their colours, those of one colour together."""
    for colour, run in groupby(cells, key=lambda cell: cell[1]):
        row.append("".join(sign for sign, _ in run), style=Style(bgcolor=colour, color=_ink(colour)))


def colour_at(scene: LampScene, at_s: float) -> str:
    """The colour of a scene, moving ones blended from each colour to the next; grey where none is given.

    >>> scene = LampScene(code=1, name="ebb", period_s=4.0, colours=("#000000", "#ff8000"))
    >>> colour_at(scene, 0.0), colour_at(scene, 1.0), colour_at(scene, 2.0)
    ('#000000', '#804000', '#ff8000')
    """
    if scene.colour is not None:
        return scene.colour
    if scene.colours is None or scene.period_s is None:
        return "#808080"
    place = at_s / scene.period_s * len(scene.colours)
    pair = (scene.colours[(int(place) + n) % len(scene.colours)] for n in (0, 1))
    one, next_one = ([int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in pair)
    share = place % 1
    return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in zip(one, next_one, strict=True))


def _ink(colour: str) -> str:
    """Black or white, whichever stands out: by the luma weights of ITU-R BT.601."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return "#000000" if 0.299 * red + 0.587 * green + 0.114 * blue > 110 else "#ffffff"
