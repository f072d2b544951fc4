"""Cutting a line of lengths into the fewest pieces over which a reading stays the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Generic, NamedTuple, TypeVar

T = TypeVar("T")


class Piece(NamedTuple, Generic[T]):
    """From ``first`` to ``last``, both within, the reading is ``value`` or a part of it."""

    first: int
    last: int
    value: T


def pieces(cuts: Iterable[int], end: int, read: Callable[[int], T]) -> list[Piece[T]]:
    """Closed pieces of [0, end]; ``read`` may change only at a cut, where it is at its most certain.

    A cut that lies between two uncertain pieces and is itself certain (a window that margin and clock
    tolerance have left a single length) becomes a piece of one length.

    >>> pieces([5], 9, lambda x: "short" if x < 5 else "long")
    [Piece(first=0, last=5, value='short'), Piece(first=5, last=9, value='long')]
    >>> [p.value for p in pieces([5], 9, lambda x: "just" if x == 5 else "not")]
    ['not', 'just', 'not']
    """
    marks = [0, *sorted({c for c in cuts if 0 < c < end}), end]
    found: list[Piece[T]] = []
    for first, last in zip(marks, marks[1:], strict=False):
        inside = read(first + (last - first) // 2)
        if found:
            at_first = read(first)
            if at_first not in (inside, found[-1].value):
                found.append(Piece(first, first, at_first))
        found.append(Piece(first, last, inside))
    return found
