"""Words to standard error: written while somebody reads, dropped and counted while nobody does."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator

import pytest

from sequencer.daemon.log import DroppingHandler, can_be_written

Pipe = tuple[int, int]


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    ends = os.pipe()
    yield ends
    for end in ends:
        os.close(end)


def fill(writing: int) -> int:
    """Write until there is no room; how much that was."""
    os.set_blocking(writing, False)
    written = 0
    try:
        while True:
            written += os.write(writing, b"." * 4096)
    except BlockingIOError:
        pass
    os.set_blocking(writing, True)
    return written


def said(handler: logging.Handler, words: str) -> None:
    handler.handle(logging.LogRecord("lampstep", logging.INFO, "", 0, words, (), None))


def test_lines_arrive_in_their_order(pipe: Pipe) -> None:
    handler = DroppingHandler(pipe[1])
    for number in range(3):
        said(handler, f"line {number}")
    handler.close()
    assert os.read(pipe[0], 100) == b"line 0\nline 1\nline 2\n"


def test_nobody_reads_and_nobody_waits(pipe: Pipe) -> None:
    """The calls return at once; on a handler that waits this test never ends."""
    before = fill(pipe[1])
    assert not can_be_written(pipe[1])
    handler = DroppingHandler(pipe[1], most=5)
    for number in range(50):
        said(handler, f"line {number}")
    assert 44 <= handler._dropped <= 45  # the thread may have taken one out
    left = before
    while left:
        left -= len(os.read(pipe[0], left))
    handler.close()
    lines = os.read(pipe[0], 1000).splitlines()
    assert lines[:5] == [b"line %d" % number for number in range(5)]
    assert lines[-1] == b"%d lines were dropped here: nobody read them in time" % (50 - (len(lines) - 1))


def test_a_reader_that_has_gone_is_no_fault() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    handler = DroppingHandler(writing)
    said(handler, "to nobody")
    handler.close()
    os.close(writing)


def test_words_that_do_not_fit_are_said_as_they_are(pipe: Pipe) -> None:
    handler = DroppingHandler(pipe[1])
    handler.handle(logging.LogRecord("lampstep", logging.INFO, "", 0, "%d lamps", ("no",), None))
    handler.close()
    assert os.read(pipe[0], 100) == b"%d lamps\n"
