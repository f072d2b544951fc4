"""``lampstep demo``: the Quarry Lane lido at dusk, in colours on a terminal, else in plain lines."""

from __future__ import annotations

import time
from collections.abc import Iterable

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.fields import tightest_fields
from sequencer.cli.terminal import shows_colours
from sequencer.demo.lido import load_lido
from sequencer.demo.plain import story_lines, summary_lines
from sequencer.demo.story import Step, Summary, summed
from sequencer.demo.tell import tell

SIGNS = "✓✗"
"""What the coloured story draws with, beside letters."""


class _Clock:
    """The machine's monotonic clock."""

    def now(self) -> float:
        """Seconds."""
        return time.monotonic()

    def sleep_until(self, deadline: float) -> None:
        """Sleep to the deadline, not at all when it is past."""
        time.sleep(max(0.0, deadline - time.monotonic()))


NEXT = (
    "Next: copy the site file and the datasheets of this demo, put in the figures of your own lamps,\n"
    "      and see what lampstep check says of them."
)


def run(arguments: Arguments) -> Answer:
    """Tell the story; the answer is its summary."""
    steps = tell(*load_lido(), arguments.seed)
    if arguments.json or arguments.plain or not shows_colours(SIGNS):
        told = tuple(steps)
        summary = summed(told)
        lines = [*story_lines(told), "", *summary_lines(summary), "", NEXT]
    else:
        summary = _show(steps, arguments.speed)
        lines = [NEXT]
    status = YES if summary.matched == summary.lamps else NO
    return Answer(status, _fields(arguments.seed, summary), "\n".join(lines).lstrip("\n"))


def _show(steps: Iterable[Step], speed: float) -> Summary:
    from rich.console import Console  # noqa: PLC0415 - only where there are colours

    from sequencer.demo.coloured import show, show_summary  # noqa: PLC0415

    console = Console(highlight=False)
    summary = summed(show(steps, console, _Clock(), speed))
    show_summary(summary, console)
    console.print()
    return summary


def _fields(seed: int, summary: Summary) -> dict[str, object]:
    proof = summary.tightest
    return {
        "seed": seed,
        "trains": summary.trains,
        "lamps": summary.lamps,
        "matched": summary.matched,
        "tightest": {
            "circuit": summary.circuit,
            "lamp": proof.lamp,
            "datasheet": proof.stem,
            "slack_s": proof.slack_s,
            **(tightest_fields(proof) or {}),
        },
    }
