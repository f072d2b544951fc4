"""A person at the prompt, who says what the lamp shows: eyes like any other, with a longer patience."""

from __future__ import annotations

import re
import select
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from sequencer.errors import HardwareError
from sequencer.instruments.eyes import Sighting

if TYPE_CHECKING:
    from types import TracebackType

Ask = Callable[[str], str]
"""Takes the prompt, gives the answer without its end; raises HardwareError when none comes."""

TRIES = 5
"""Answers that make no sense before the operator is taken to be gone."""
HUES = (
    (10.0, "pink"),
    (45.0, "red"),
    (80.0, "orange"),
    (122.0, "yellow"),
    (165.0, "green"),
    (220.0, "blue-green"),
    (285.0, "blue"),
    (335.0, "purple"),
    (360.0, "pink"),
)
"""Up to which hue angle (degrees) of CSS Color 4's OKLCh a colour is called so: about half-way between the hues of
CSS's colours of these names."""
GREY_CHROMA, WHITE_LIGHT, DARK_LIGHT = 0.03, 0.8, 0.5
"""In OKLCh: less chroma than this has no hue, more lightness is white, less is dark. Common practice, no source."""


class OperatorEyes:
    """Asks which of the lights known so far the lamp shows; a light that is none of them is added.

    ``known`` holds names and sightings, a datasheet's scenes or nothing at all. A scene's name says little of what it
    looks like, so its colour stands beside it.
    """

    threshold = 1.0
    notes: tuple[str, ...] = ()

    def __init__(self, known: Sequence[tuple[str, Sighting]], ask: Ask) -> None:
        self._known = list(known)
        self._ask = ask

    def look(self) -> Sighting:
        """What the operator says that it shows."""
        listed = [f"{n} {name}{_looks(name, seen)}" for n, (name, seen) in enumerate(self._known, start=1)]
        question = f"What does the lamp show? {', '.join([*listed, 'd dark', 'o another light'])}: "
        for _ in range(TRIES):
            said = self._ask(question).strip().lower()
            if said in {"d", "dark"}:
                return Sighting(None)
            if said.isdecimal() and 1 <= int(said) <= len(self._known):
                return self._known[int(said) - 1][1]
            if found := [seen for name, seen in self._known if name.lower() == said]:
                return found[0]
            if said in {"o", "other", "another"} and (other := self._another()) is not None:
                return other
            question = f"A number from the list, d or o, please ({', '.join([*listed, 'd', 'o'])}): "
        raise HardwareError(f"operator: {TRIES} answers that are none: is somebody there?")

    def _another(self) -> Sighting | None:
        from coloraide import Color  # noqa: PLC0415 - heavy, and seldom needed

        said = self._ask("Its colour, as a web colour's name or # and six digits: ").strip().lower()
        try:
            colour = Color(said).convert("srgb").clip().to_string(hex=True, compress=False)
        except ValueError:
            return None
        period = self._ask("If it moves, seconds for one round; else nothing: ").strip()
        if period and not re.fullmatch(r"\d{1,4}(\.\d{1,3})?", period):
            return None
        seen = Sighting(colour, float(period) if period and float(period) else None)
        self._known.append((said + (f", {period} s" if seen.period_s else ""), seen))
        return seen

    def close(self) -> None:
        """Nothing is held."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _looks(name: str, seen: Sighting) -> str:
    """What a scene looks like, in brackets; nothing where its name says so already."""
    if seen.colour is None or name.lower().startswith(seen.colour):
        return ""
    word = plain_colour(seen.colour)
    words = f"mostly {word}, moving, {seen.period_s:g} s round" if seen.period_s else word
    return f" ({words})"


def plain_colour(colour: str) -> str:
    """A colour in words that anybody uses.

    >>> [plain_colour(c) for c in ("#ff0000", "#0b6672", "#ffa500", "#e8e8e8", "#808080")]
    ['red', 'dark blue-green', 'orange', 'white', 'grey']
    """
    from coloraide import Color  # noqa: PLC0415 - heavy

    light, chroma, hue = Color(colour).convert("oklch").coords(nans=False)
    if chroma < GREY_CHROMA:
        return "white" if light > WHITE_LIGHT else "grey"
    word = next(word for most, word in HUES if hue <= most)
    return f"dark {word}" if light < DARK_LIGHT else word


def ask_at_terminal(patience_s: float) -> Ask:
    """Prompts on standard error and reads standard input, for so long and no longer."""

    def ask(prompt: str) -> str:
        sys.stderr.write(prompt)
        sys.stderr.flush()
        ready, _, _ = select.select([sys.stdin], [], [], patience_s)
        line = sys.stdin.readline() if ready else ""
        if not line.endswith("\n"):
            words = "nobody answered" if not ready else "there is nobody to ask: standard input has ended"
            raise HardwareError(f"operator: {words}")
        return line.rstrip("\n")

    return ask


def open_(spec: Mapping[str, Any], known: Sequence[tuple[str, Sighting]]) -> OperatorEyes:
    """Open from a rig file's table."""
    return OperatorEyes(known, ask_at_terminal(spec["patience_s"]))
