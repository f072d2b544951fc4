"""What libraries import and a daemon on a pad never uses: encrypted lines and pools of processes.

APScheduler and pymodbus bring both along: 5 MB of a small board's memory, for years, and a start that is later.
Their names are all that is wanted of them, for clauses such as ``except ssl.SSLWantReadError``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType

UNUSED = ("ssl", "multiprocessing", "concurrent.futures.process")
"""The plain text lines of this program need no ``ssl``; its processes are started by ``subprocess``."""


class _StandIn(ModuleType):
    def __getattr__(self, name: str) -> type[Exception]:
        if name.startswith("__"):
            raise AttributeError(name)
        return type(name, (Exception,), {})


@contextmanager
def without_unused(*more: str) -> Iterator[None]:
    """While in here, who imports one of :data:`UNUSED` or ``more`` gets a module whose every name is an empty class."""
    stand_ins = {name: _StandIn(name) for name in (*UNUSED, *more) if name not in sys.modules}
    sys.modules.update(stand_ins)
    try:
        yield
    finally:
        for name, stand_in in stand_ins.items():
            if sys.modules.get(name) is stand_in:
                del sys.modules[name]
