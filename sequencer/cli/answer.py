"""What every command comes to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

YES, NO, BAD_INPUT, HARDWARE, BUG, BROKEN_OFF = 0, 1, 2, 3, 70, 130
"""Exit statuses. 70 is "internal software error" in sysexits.h, 130 a shell's 128 + SIGINT."""


class Answer(NamedTuple):
    """The exit status, the JSON object, and the text for people (nothing more is printed when empty)."""

    status: int
    fields: Mapping[str, object]
    text: str
