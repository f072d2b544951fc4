"""``lampstep bench``: its second word says what of it, each in a module of its own."""

from __future__ import annotations

from importlib import import_module

from sequencer.cli.answer import Answer
from sequencer.cli.arguments import Arguments


def run(arguments: Arguments) -> Answer:
    """Hand over to the second word's module."""
    answer: Answer = import_module(f"sequencer.cli.bench_{arguments.word}").run(arguments)
    return answer
