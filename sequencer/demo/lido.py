"""Where the demo's two sites are, in a checkout and in an installed package."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from sequencer.errors import InputError
from sequencer.sitefile import Pad, load_site


def load_lido() -> tuple[Pad, Pad]:
    """The Quarry Lane lido and its bench corner; InputError when they were not installed along."""
    package = Path(str(resources.files("sequencer")))
    for folder in (package / "config", package.parent / "config"):
        if (folder / "quarry-lane.toml").is_file():
            return load_site(folder / "quarry-lane.toml"), load_site(folder / "bench-corner.toml")
    raise InputError(f"{package}/config: the demo's site files are not there: install lampstep again")
