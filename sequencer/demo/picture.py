"""The picture of the demo in the README, from the story itself: ``python -m sequencer.demo.picture FILE``."""

from __future__ import annotations

import io
import sys
from html import escape
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme

from sequencer.demo.coloured import show, show_summary
from sequencer.demo.lido import load_lido
from sequencer.demo.story import summed
from sequencer.demo.tell import tell

SEED, COLUMNS = 1, 94
NIGHT = TerminalTheme((13, 20, 26), (208, 217, 222), [(0, 0, 0)] * 8)
TITLE = "The Quarry Lane lido at dusk: lamps that show different scenes are brought onto one, twice, and steered apart"
SVG = f"""\
<svg class="rich-terminal" viewBox="0 0 {{width}} {{height}}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>{escape(TITLE)}</title>
<style>
.{{unique_id}}-matrix {{{{ font-family: "DejaVu Sans Mono", Consolas, Menlo, monospace; font-size: {{char_height}}px; \
line-height: {{line_height}}px; }}}}
{{styles}}
</style>
<defs>
{{lines}}
</defs>
<rect width="{{width}}" height="{{height}}" rx="8" fill="#0d141a"/>
<g transform="translate({{terminal_x}}, {{terminal_y}})">
{{backgrounds}}
<g class="{{unique_id}}-matrix" xml:space="preserve">
{{matrix}}
</g>
</g>
</svg>
"""
"""Rich's own frame for such pictures draws a window and fetches a font; this one does neither."""


def picture() -> str:
    """The first four steps and the summary of them all, as SVG."""
    console = Console(
        record=True,
        width=COLUMNS,
        force_terminal=True,
        color_system="truecolor",
        highlight=False,
        legacy_windows=False,
        file=io.StringIO(),
        _environ={},
    )
    steps = tuple(tell(*load_lido(), SEED))
    show(steps[:4], console, clock=None)
    show_summary(summed(steps), console)
    return console.export_svg(theme=NIGHT, code_format=SVG, unique_id="lido")


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(picture(), encoding="utf-8")
