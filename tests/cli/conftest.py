"""The command line as its user has it: words in; exit status, standard output and error out."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from sequencer.cli.main import main

CONFIG = Path(__file__).parents[2] / "config"
SITES = {
    "LIDO": str(CONFIG / "quarry-lane.toml"),
    "CORNER": str(CONFIG / "bench-corner.toml"),
    "WEAK": str(CONFIG / "weak-corner.toml"),
}


class Said(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one object on standard output, which is all of it."""
        assert self.out.count("\n") == 1
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


def named(text: str) -> str:
    """With the demo sites' paths in place of LIDO, CORNER and WEAK."""
    for name, path in SITES.items():
        text = text.replace(name, path)
    return text


@pytest.fixture
def with_paths() -> Callable[[str], str]:
    return named


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[[str], Said]:
    def run(line: str) -> Said:
        capsys.readouterr()
        status = main(shlex.split(named(line)))
        return Said(status, *capsys.readouterr())

    return run


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where logs are kept: not in this user's own home."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "lampstep"


@pytest.fixture
def site(tmp_path: Path) -> Callable[..., str]:
    """A copy of a demo site, with some of its text replaced, under the name site.toml."""

    def site(original: str, *changes: tuple[str, str]) -> str:
        text = Path(SITES[original]).read_text(encoding="utf-8")
        for old, new in (("lamps/", f"{CONFIG}/lamps/"), *changes):
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "site.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return site
