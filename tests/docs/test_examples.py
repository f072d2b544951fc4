"""What the README and the docs show works: examples run, links lead somewhere, drawings are of today's code."""

from __future__ import annotations

import ast
import doctest
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from contextlib import closing
from pathlib import Path
from xml.etree.ElementTree import canonicalize

import pytest

from sequencer.cli.arguments import parse
from sequencer.cli.main import main
from sequencer.datasheet import load_datasheet
from tests.served import Served

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
DRAWINGS = ROOT / "docs" / "drawings"
ASK_A_DAEMON = {"serve", "status", "tell", "replaced", "resync", "steady", "resume", "touch"}
FENCE = re.compile(r"^( *)```([^\n]*)\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)


def blocks(language: str) -> list[object]:
    """Every fenced block of the docs whose info string is this."""
    return [
        pytest.param(match[3], id=f"{page.stem}-{number}")
        for page in PAGES
        for number, match in enumerate(FENCE.finditer(page.read_text(encoding="utf-8")), start=1)
        if match[2].strip() == language
    ]


def served_blocks(page: Path) -> list[str]:
    """What a page shows of a running daemon, in order."""
    found = FENCE.finditer(page.read_text(encoding="utf-8"))
    return [match[3] for match in found if match[2] == "console served"]


def served_pages() -> list[Path]:
    return [page for page in PAGES if served_blocks(page)]


def commands() -> list[object]:
    """Every line of a shell block that begins with the program's name."""
    lines = {
        line.strip(): None
        for block in blocks("sh")
        for line in str(block.values[0]).splitlines()  # type: ignore[attr-defined]
        if line.strip().startswith("lampstep ")
    }
    return list(lines)


@pytest.mark.parametrize("line", commands())
def test_a_command_that_the_docs_show_is_one(
    line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Run on a copy of the demo site; a train to be sent is only read, for it would take its time."""
    shutil.copytree(ROOT / "config", tmp_path, dirs_exist_ok=True)
    shutil.copy(tmp_path / "quarry-lane.toml", tmp_path / "my-pool.toml")
    monkeypatch.chdir(tmp_path)
    words = shlex.split(line)[1:]
    if words[0] in {"play", "demo", "journal", *ASK_A_DAEMON}:  # journal needs a daemon to have run
        assert parse(words).command == words[0]
        return
    assert main(words) == 0
    assert capsys.readouterr().out


@pytest.mark.parametrize("block", blocks("console"))
def test_what_the_docs_show_of_a_command_is_what_it_prints(
    block: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``...`` stands for anything; a comment behind the command names an exit status other than 0."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    monkeypatch.chdir(tmp_path)
    shows(block, capsys)


@pytest.mark.parametrize("page", served_pages(), ids=lambda page: page.stem)
def test_what_the_docs_show_of_a_running_daemon_is_what_it_says(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Blocks of a page one after another, with the demo site served in virtual time."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with closing(Served(Path("config/quarry-lane.toml"))) as served:
        for block in served_blocks(page):
            for command in re.split(r"^(?=\$ )", block, flags=re.MULTILINE)[1:]:
                shows(command, capsys)
                served.wait(10.0)


def shows(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A command behind "$ ", and what it prints."""
    line, _, shown = command.partition("\n")
    status = int(found[1]) if (found := re.search(r"# exit status (\d+)$", line)) else 0
    assert main(shlex.split(line.removeprefix("$ lampstep "), comments=True)) == status
    printed = capsys.readouterr().out
    assert doctest.OutputChecker().check_output(shown, printed, doctest.ELLIPSIS), printed


@pytest.mark.parametrize("block", blocks("toml datasheet"))
def test_a_datasheet_that_the_docs_show_is_sound(block: str, tmp_path: Path) -> None:
    """On a lamp of the lap pool, with the relay and margin of the demo site, none of its windows is closed."""
    path = tmp_path / "shown.toml"
    path.write_text(block, encoding="utf-8")
    load_datasheet(path)
    site = (ROOT / "config" / "quarry-lane.toml").read_text(encoding="utf-8")
    head = site.partition("[[circuit]]")[0]
    relay = site[site.index("[circuit.relay]") : site.index("[[circuit.lamp]]")]
    lamp = '[[circuit.lamp]]\nname = "tried"\ndatasheet = "shown.toml"\n'
    text = f'{head}[[circuit]]\nname = "bench"\n{relay}{lamp}[[scene]]\nname = "any"\n'
    scene = tomllib.loads(block)["scene"][-1]["name"]
    (tmp_path / "site.toml").write_text(f'{text}picks = {{ shown = "{scene}" }}\n', encoding="utf-8")
    assert main(["plan", str(tmp_path / "site.toml"), "--circuit", "bench", "--scene", "any"]) == 0


@pytest.mark.parametrize("block", blocks("toml"))
def test_toml_that_the_docs_show_is_toml(block: str) -> None:
    assert tomllib.loads(block)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    broken = [
        target
        for target in re.findall(r"\]\(([^)\s]+)\)", text)
        if "://" not in target
        and not target.startswith("#")
        and not (page.parent / target.split("#")[0]).exists()
    ]
    assert not broken


def test_the_drawings_are_what_the_code_makes_now(tmp_path: Path) -> None:
    """If not: ``python docs/drawings/draw.py``, and look at them."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, DRAWINGS / "draw.py", tmp_path], check=True, timeout=120, env=env)
    made = {path.name: canonicalize(path.read_text(encoding="utf-8")) for path in tmp_path.glob("*.svg")}
    kept = {path.name: canonicalize(path.read_text(encoding="utf-8")) for path in DRAWINGS.glob("*.svg")}
    assert made.keys() == kept.keys()
    assert [name for name in made if made[name] != kept[name]] == []


@pytest.mark.parametrize("path", sorted((ROOT / "sequencer").rglob("*.py")), ids=lambda path: path.stem)
def test_every_module_says_what_it_is(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert not text.strip() or ast.get_docstring(ast.parse(text))
