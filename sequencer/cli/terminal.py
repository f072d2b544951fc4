"""Whether whoever reads the output sees colours."""

from __future__ import annotations

import os
import sys


def shows_colours(signs: str = "") -> bool:
    """Whether the output is a terminal that shows colours and ``signs``, and its user wants them.

    ``NO_COLOR`` by its own convention: any value that is not empty.
    """
    if os.environ.get("NO_COLOR") or os.environ.get("TERM", "dumb") == "dumb":
        return False
    if sys.stdout is None or not sys.stdout.isatty():
        return False
    try:
        signs.encode(sys.stdout.encoding)
    except UnicodeEncodeError:
        return False
    return True
