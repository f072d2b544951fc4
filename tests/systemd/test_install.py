"""The install script, put up below a folder of its own with a stand-in for Python's environments.

``.ci/run`` does the same with the real ones. That systemd, udev and the user list are told is not tried here.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STAND_IN = f"""#!/bin/sh
# python3 whose environments hold the program of this source tree, at once and without a network
[ "$1 $2" = "-m venv" ] || exec {sys.executable} "$@"
mkdir -p "$3/bin" "$3/lib"
printf '#!/bin/sh\\nexec {sys.executable} "$@"\\n' >"$3/bin/python"
printf '#!/bin/sh\\n[ -z "$NO_REGISTRY" ]\\n' >"$3/bin/pip"
printf '#!/bin/sh\\nPYTHONPATH={ROOT} exec {sys.executable} -m sequencer "$@"\\n' >"$3/bin/lampstep"
chmod +x "$3"/bin/*
"""
PLACES = {
    "etc/lampstep/lampstep.env",
    "etc/lampstep/my-pool.toml",
    "etc/lampstep/lamps/type-a.toml",
    "etc/lampstep/lamps/type-b.toml",
    "etc/lampstep/lamps/type-c.toml",
    "etc/systemd/system/lampstep@.service",
    "etc/systemd/system/multi-user.target.wants/lampstep@my-pool.service",
    "etc/sysusers.d/lampstep.conf",
    "etc/udev/rules.d/70-lampstep.rules",
    "usr/local/bin/lampstep",
}
"""All that is written outside of /opt/lampstep."""


class Board:
    """A source tree, a home with a site file, and a board's empty file system."""

    def __init__(self, folder: Path) -> None:
        self.source, self.home, self.root = folder / "source", folder / "home", folder / "board"
        self.site = self.home / "my-pool.toml"
        shutil.copytree(ROOT / "systemd", self.source / "systemd")
        (self.source / "sequencer").mkdir()
        shutil.copytree(ROOT / "config", self.source / "config")
        for name in ("pyproject.toml", "README.md"):
            shutil.copy(ROOT / name, self.source)
        shutil.copytree(ROOT / "config", self.home)
        shutil.copy(self.home / "quarry-lane.toml", self.site)
        self.root.mkdir()
        self._path = folder / "bin"
        self._path.mkdir()
        (self._path / "python3").write_text(STAND_IN)
        (self._path / "python3").chmod(0o755)

    def install(self, *arguments: object, status: int = 0, **environ: str) -> str:
        """Run the script; all that it said."""
        env = {
            **os.environ,
            "PATH": f"{self._path}:{os.environ['PATH']}",
            "DESTDIR": str(self.root),
            **environ,
        }
        words = ["sh", str(self.source / "systemd" / "install"), *map(str, arguments)]
        done = subprocess.run(
            words,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=60,
            env=env,
            check=False,
            cwd=self.home,
        )
        assert done.returncode == status, done.stdout
        return done.stdout

    def tree(self, below: str = "") -> dict[str, tuple[int, str]]:
        """Every file and link: its mode, and what is in it or where it points."""
        top = self.root / below
        return {
            str(path.relative_to(self.root)): (
                path.lstat().st_mode,
                str(path.readlink()) if path.is_symlink() else path.read_bytes().hex(),
            )
            for path in top.rglob("*")
            if path.is_symlink() or path.is_file()
        }

    def places(self) -> set[str]:
        """What is there outside of /opt/lampstep."""
        return {name for name in self.tree() if not name.startswith("opt/lampstep/")}


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


def test_twice_is_once(board: Board) -> None:
    said = board.install(board.site)
    assert "CAUTION" in said
    assert "Next: sudo systemctl restart lampstep@my-pool" in said
    first = board.tree()
    assert board.places() == PLACES
    again = board.install(board.site)
    assert "just as this source has it" in again
    assert board.tree() == first


def test_what_runs_is_what_the_unit_starts(board: Board) -> None:
    board.install(board.site)
    unit = (board.root / "etc/systemd/system/lampstep@.service").read_text()
    (start,) = [line for line in unit.splitlines() if line.startswith("ExecStart=")]
    program, command, site = start.removeprefix("ExecStart=").split()
    assert os.access(board.root / program[1:], os.X_OK)
    assert command == "serve"
    assert (board.root / site.replace("%i", "my-pool")[1:]).read_text() == board.site.read_text()


def test_uninstall_keeps_what_is_the_owners(board: Board) -> None:
    journal = board.root / "var/lib/lampstep/Quarry%20Lane%20lido/journal.sqlite3"
    other = board.root / "etc/systemd/system/other.service"
    board.install(board.site)
    for path in (journal, other):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    owners = {name for name in PLACES if name.startswith("etc/lampstep/")}
    rest = {str(path.relative_to(board.root)) for path in (journal, other)}
    board.install("--uninstall")
    assert set(board.tree()) == owners | rest
    board.install("--uninstall", "--purge")
    assert set(board.tree()) == {str(other.relative_to(board.root))}
    board.install("--uninstall")  # nothing left to take away


def test_dry_run_changes_nothing(board: Board) -> None:
    said = board.install("--dry-run", board.site)
    assert "would run: python3 -m venv" in said
    assert board.tree() == {}
    board.install(board.site)
    before = board.tree()
    assert "would run: rm -rf" in board.install("--dry-run", "--uninstall", "--purge")
    assert board.tree() == before


def test_a_site_file_that_does_not_pass(board: Board) -> None:
    board.site.write_text(board.site.read_text().replace("normally_closed", "normally_shut"))
    said = board.install(board.site, status=2)
    assert "normally_shut" in said
    assert "nothing was put in place" in said
    assert board.places() == set()
    assert not (board.root / "opt/lampstep/current").exists()


def test_the_site_file_at_home_on_the_board_is_never_overwritten(board: Board) -> None:
    board.install(board.site)
    there = board.root / "etc/lampstep/my-pool.toml"
    settings = board.root / "etc/lampstep/lampstep.env"
    settings.write_text("GPIOZERO_PIN_FACTORY=mock\n")
    there.write_text(there.read_text() + "\n# changed on the pad\n")
    before = board.tree()
    assert f"{there} is another than yours, and stays" in board.install(board.site, status=2)
    assert board.tree() == before
    board.install(there)
    assert board.tree() == before


def test_somebody_elses_file_stays(board: Board) -> None:
    other = board.root / "usr/local/bin/lampstep"
    other.parent.mkdir(parents=True)
    other.write_text("#!/bin/sh\necho somebody else\n")
    before = board.tree()
    assert "it stays" in board.install(board.site, status=2)
    assert board.tree() == before


def test_a_start_without_the_registry_is_made_good_by_the_next(board: Board) -> None:
    assert "nothing else was changed" in board.install(board.site, status=2, NO_REGISTRY="1")
    assert board.places() == set()
    board.install(board.site)
    first = board.tree()
    (copy,) = (board.root / "opt/lampstep").glob("*-py*")
    (copy / "complete").unlink()  # as a cut of the power leaves it
    (copy / "bin" / "lampstep").write_text("torn")
    board.install(board.site)
    assert board.tree() == first


def test_an_update_takes_the_place_of_the_older(board: Board) -> None:
    board.install(board.site)
    older = (board.root / "opt/lampstep/current").resolve()
    (board.source / "README.md").write_text("newer")
    board.install(board.root / "etc/lampstep/my-pool.toml", status=2, NO_REGISTRY="1")
    assert (board.root / "opt/lampstep/current").resolve() == older  # what was there still runs
    board.install(board.root / "etc/lampstep/my-pool.toml")
    newer = (board.root / "opt/lampstep/current").resolve()
    assert newer != older
    assert list((board.root / "opt/lampstep").glob("*-py*")) == [newer]
    assert board.places() == PLACES


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "which site file?"),
        (("--uninstal",), "there is no option --uninstal"),
        (("gone.toml",), "there is no site file gone.toml"),
        (("my-pool.toml", "quarry-lane.toml"), "one site file at a time: my-pool.toml or quarry-lane.toml?"),
        (("--purge", "my-pool.toml"), "--purge goes with --uninstall"),
        (("--uninstall", "my-pool.toml"), "--uninstall takes no site file"),
        (("my pool.toml",), "name it with plain letters"),
        (("-pool.toml",), "there is no option -pool.toml"),
        (("lamps",), "there is no site file lamps"),
        (("pool.txt",), "a site file's name ends with .toml"),
        (("outside.toml",), "datasheet ../lamps/type-b.toml: move it beside or below the site file"),
    ],
)
def test_what_it_refuses(board: Board, arguments: tuple[str, ...], said: str) -> None:
    for name in ("my pool.toml", "pool.txt"):
        shutil.copy(board.site, board.home / name)
    shutil.copytree(board.home / "lamps", board.home.parent / "lamps")
    outside = board.site.read_text().replace('"lamps/type-b.toml"', '"../lamps/type-b.toml"')
    (board.home / "outside.toml").write_text(outside)
    answer = board.install(*arguments, status=2)
    assert said in answer.splitlines()[-1]
    assert answer.splitlines()[-1].startswith("install: ")
    assert board.places() == set()


def test_help_is_the_head_of_the_script(board: Board) -> None:
    said = board.install("--help")
    assert said.startswith("Puts lampstep on a Debian-family board")
    assert "set -eu" not in said
    assert all(f"/{place}" in said for place in PLACES if "lampstep/" not in place and "wants" not in place)


@pytest.mark.debian
@pytest.mark.parametrize("script", ["systemd/install", "systemd/lampstep", ".ci/run"])
def test_shellcheck_finds_nothing(script: str) -> None:
    if shutil.which("shellcheck") is None and not os.environ.get("CI"):
        pytest.skip("shellcheck is not installed (apt install shellcheck)")
    done = subprocess.run(
        ["shellcheck", ROOT / script], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout
