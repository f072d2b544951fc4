"""One typed word each: what it must be, and what it means. Each raises ArgumentTypeError for any other."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from sequencer.tomltext import quoted

if TYPE_CHECKING:
    from datetime import date


class Collect(argparse.Action):
    """An option that may be given again: all its values in order."""

    def __call__(
        self,
        _parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        value: object,
        _option: str | None = None,
    ) -> None:
        setattr(namespace, self.dest, (*getattr(namespace, self.dest), value))


def pair_of(shape: str) -> Callable[[str], tuple[str, str]]:
    """Two words with = between them; ``shape`` as in ``"LAMP=SCENE"``."""

    def pair(text: str) -> tuple[str, str]:
        name, equals, value = text.partition("=")
        if not (name and equals and value):
            raise argparse.ArgumentTypeError(f"must be {shape}, not {quoted(text)}")
        return name, value

    return pair


lamp_scene = pair_of("LAMP=SCENE")


def input_level(text: str) -> tuple[str, str]:
    """An input of a pad and its level."""
    name, equals, level = text.partition("=")
    if not (name and equals and level):
        raise argparse.ArgumentTypeError(f'must be INPUT=on or INPUT=off, not "{text}"')
    return name, level


def lamp_volts(text: str) -> tuple[str, float]:
    """A lamp and the volts at its terminals."""
    lamp, equals, value = text.partition("=")
    volts = _number(value)
    if not (lamp and equals and 0 <= volts < 1000):
        raise argparse.ArgumentTypeError(f"must be LAMP=V, not {quoted(text)}")
    return lamp, volts


def tap_volts(text: str) -> float:
    """The volts of a transformer's tap."""
    volts = _number(text)
    if not 0 < volts < 1000:
        raise argparse.ArgumentTypeError(f"must be the volts of a tap, not {quoted(text)}")
    return volts


def amps(text: str) -> float:
    """A reading of current."""
    read = _number(text)
    if not 0 <= read < 1000:
        raise argparse.ArgumentTypeError(f"must be the amps that were read, not {quoted(text)}")
    return read


def whole(least: int, most: int) -> Callable[[str], int]:
    """A whole number, ends included."""

    def number(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 20 and least <= int(text) <= most):
            raise argparse.ArgumentTypeError(
                f"must be a whole number from {least} to {most}, not {quoted(text)}"
            )
        return int(text)

    return number


def between(least: float, most: float) -> Callable[[str], float]:
    """A number, ends included."""

    def number(text: str) -> float:
        value = _number(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(
                f"must be a number from {least:g} to {most:g}, not {quoted(text)}"
            )
        return value

    return number


def day(text: str) -> date:
    """A date as in ISO 8601."""
    from datetime import date  # noqa: PLC0415 - only here

    try:
        found = date.fromisoformat(text)
    except ValueError:
        found = date.min
    if not 1970 <= found.year < 9000:
        raise argparse.ArgumentTypeError(f"must be a date such as 2026-12-24, not {quoted(text)}")
    return found


def _number(text: str) -> float:
    """Not a number for anything else, which is within no bounds."""
    try:
        return float(text)
    except ValueError:
        return math.nan
