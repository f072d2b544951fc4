"""Makes the drawings of the docs from the program's own tables: ``python docs/drawings/draw.py [FOLDER]``.

They are written beside this file, or into FOLDER. A test makes them anew and compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

from lamp_states import lamp_states
from train_timeline import train_timeline

from sequencer.sitefile import load_site

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "config"


def main(folder: Path) -> None:
    """Write every drawing."""
    lido = load_site(CONFIG / "quarry-lane.toml")
    drawings = {
        "lamp-states.svg": lamp_states(CONFIG / "lamps"),
        "lamp-timeline.svg": train_timeline(lido, "plunge-pool", "clean-up"),
        "train-timeline.svg": train_timeline(lido, "lap-pool", "quiet"),
    }
    for name, drawing in drawings.items():
        (folder / name).write_text(drawing, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
