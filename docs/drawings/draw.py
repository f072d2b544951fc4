"""Makes the drawings of the docs: ``python docs/drawings/draw.py [FOLDER]``.

Those of lamps and trains come from the program's own tables, those of wiring are drawn by hand.
They are written beside this file, or into FOLDER. A test makes them anew and compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

from daemon_states import daemon_states
from input_wiring import input_wiring
from lamp_states import lamp_states
from plain_switch import switch_as_input, switch_feeds_the_box
from train_timeline import train_timeline

from sequencer.sitefile import load_site

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "config"


def main(folder: Path) -> None:
    """Write every drawing."""
    lido = load_site(CONFIG / "quarry-lane.toml")
    drawings = {
        "daemon-states.svg": daemon_states(),
        "input-wiring.svg": input_wiring(),
        "lamp-states.svg": lamp_states(CONFIG / "lamps"),
        "lamp-timeline.svg": train_timeline(lido, "plunge-pool", "clean-up"),
        "switch-as-input.svg": switch_as_input(),
        "switch-feeds-the-box.svg": switch_feeds_the_box(),
        "train-timeline.svg": train_timeline(lido, "lap-pool", "quiet"),
    }
    for name, drawing in drawings.items():
        (folder / name).write_text(drawing, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
