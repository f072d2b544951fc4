"""A quick start, for slow boards: what pydantic and Python would do at start and end, and no command needs.

Measured by ``tests/bench/startup_bench.py``.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType
from typing import Any


@contextmanager
def lean_imports() -> Iterator[None]:
    """Import in here what imports pydantic.

    pydantic looks through the metadata of every installed package for plugins of its own; the library for
    that alone takes a tenth of ``plan``'s time. In here its one function is fetched when it is called, and
    pydantic, told that no plugin is wanted, does not call it. It imports ``secrets`` as well, which without
    OpenSSL does what is asked of it here by Python's own hashes, and is 3.5 MB smaller.

    What has been imported stays to the end, so the garbage collector need not look for garbage in it,
    neither meanwhile nor, after, at the exit.
    """
    if "pydantic" in sys.modules:  # not the first command of this process
        yield
        return
    gc.disable()
    try:
        with _no_plugins(), _no_openssl():
            yield
    finally:
        gc.freeze()
        gc.enable()


@contextmanager
def _no_plugins() -> Iterator[None]:
    def entry_points(**wanted: object) -> object:
        _forget(stand_in)
        return import_module(_METADATA).entry_points(**wanted)

    stand_in: Any = ModuleType(_METADATA)
    stand_in.entry_points = entry_points
    sys.modules.setdefault(_METADATA, stand_in)
    before = os.environ.get(_PLUGINS)
    os.environ[_PLUGINS] = "__all__"
    try:
        yield
    finally:
        _forget(stand_in)
        if before is None:
            del os.environ[_PLUGINS]
        else:
            os.environ[_PLUGINS] = before


@contextmanager
def _no_openssl() -> Iterator[None]:
    """hashlib and hmac do without it where it is not to be had; None says so."""
    modules: dict[str, ModuleType | None] = sys.modules  # type: ignore[assignment]
    absent = _OPENSSL not in modules and all(map(find_spec, _HASHES))
    if absent:
        modules[_OPENSSL] = None
    try:
        yield
    finally:
        if absent:
            del modules[_OPENSSL]


_OPENSSL, _HASHES = "_hashlib", ("_md5", "_sha1")
_METADATA = "importlib.metadata"
_PLUGINS = "PYDANTIC_DISABLE_PLUGINS"


def _forget(stand_in: ModuleType) -> None:
    if sys.modules.get(_METADATA) is stand_in:
        del sys.modules[_METADATA]
