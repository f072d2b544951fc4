"""Cutting a line of lengths into the fewest pieces over which a reading stays the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Generic, NamedTuple, TypeVar

T = TypeVar("T")


class Piece(NamedTuple, Generic[T]):
    """From ``first`` to ``last``, both within, the reading is ``value`` or a part of it."""

    first: int
    last: int
    value: T


def pieces(cuts: Iterable[int], end: int, read: Callable[[int], T]) -> list[Piece[T]]:
    """Closed pieces of [0, end]; ``read`` may change only at a cut, where it is at its most certain.

    A cut (or the end) that is itself certain where the pieces beside it are not, such as a window that
    margin and clock tolerance have left a single length, becomes a piece of one length.

    >>> pieces([5], 9, lambda x: "short" if x < 5 else "long")
    [Piece(first=0, last=5, value='short'), Piece(first=5, last=9, value='long')]
    >>> [p.value for p in pieces([5], 9, lambda x: "just" if x == 5 else "not")]
    ['not', 'just', 'not']
    >>> pieces([], 9, lambda x: "just" if x == 9 else "not")
    [Piece(first=0, last=9, value='not'), Piece(first=9, last=9, value='just')]
    """
    marks = [0, *sorted({c for c in cuts if 0 < c < end}), end]
    at_mark = [read(mark) for mark in marks]
    found: list[Piece[T]] = []
    for i, (first, last) in enumerate(pairwise(marks)):
        inside = read(first + (last - first) // 2)
        if found and at_mark[i] not in (inside, found[-1].value):
            found.append(Piece(first, first, at_mark[i]))
        # Between neighbours nothing lies, and each may be certain of something else.
        apart = last - first == 1 and at_mark[i] != at_mark[i + 1]
        found.append(Piece(first, first if apart else last, inside))
    if at_mark[-1] != found[-1].value:
        found.append(Piece(end, end, at_mark[-1]))
    return found
