"""Damaged files over every command that takes them: 0, 1 or 2, and for 2 what is wrong, in which file, on which line.

2,500 mutants of the shipped files, each over ``check`` or its bench command and two more. Nothing real is begun:
whatever comes after the input was found sound (an edge, a daemon's first turn) ends the command as ``Begun``.
With CI set the draws are the same each time; else they differ, and ``MUTANT_SEED`` brings those of a failure back.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import re
import shutil
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random, SystemRandom
from typing import Any, NoReturn

import pytest

from sequencer.cli.main import main
from tests.cli.mutants import CONFIG, Mutant, drawn

SEED = int(os.environ.get("MUTANT_SEED") or (1 if os.environ.get("CI") else SystemRandom().randrange(2**32)))
BATCHES, OF = 10, 250

LAP = "--circuit lap-pool --scene evening"
SITE_COMMANDS = {
    "quarry-lane.toml": (
        f"plan SITE {LAP}",
        "plan SITE --circuit plunge-pool --scene quiet --from ladder=tarn",
        f"rehearse SITE {LAP} --trials 2",
        f"play SITE {LAP} --yes",
        f"play SITE {LAP}",
        "serve SITE",
        "calendar SITE --on 2026-12-18 --days 15",
        "calendar SITE",
        "supply SITE",
        "diagnose SITE --circuit plunge-pool --sent quiet --saw ladder=tarn",
        "sense SITE --circuit lap-pool --scene evening --amps 3",
        "status SITE",
        "tell SITE ladder=tarn",
        "replaced SITE ladder",
        "resync SITE --circuit lap-pool",
        "steady SITE",
        "resume SITE",
        "touch SITE --circuit lap-pool switch=off",
        "journal SITE",
    ),
    "weak-corner.toml": (
        "plan SITE --circuit far-corner --scene evening",
        "rehearse SITE --circuit far-corner --scene quiet --trials 2",
        "supply SITE",
        "supply SITE --circuit far-corner --tap 13 --conductor weir=12",
        "sense SITE --scene evening --amps 3",
        "sense SITE --scene evening",
        "diagnose SITE --circuit far-corner --sent evening --saw weir=moss",
        "serve SITE",
        "play SITE --circuit far-corner --scene evening --yes",
    ),
    "bench-corner.toml": (
        "plan SITE --circuit twins --scene quiet",
        "plan SITE --circuit twins --scene evening",
        "plan SITE --circuit one-way --scene quiet --from carousel=chalk",
        "rehearse SITE --circuit twins --scene quiet --trials 2",
        "play SITE --circuit twins --scene quiet --yes",
        "diagnose SITE --circuit twins --sent quiet --saw left=moss right=slate",
        "serve SITE",
        "status SITE",
    ),
    "serial-line.toml": (
        "plan SITE --circuit shallows --scene evening",
        "rehearse SITE --circuit fountain --scene quiet --trials 2",
        "play SITE --circuit shallows --scene evening --yes",
        "play SITE --circuit shallows --scene evening",
        "serve SITE",
        "calendar SITE",
    ),
}
NAMED_BY = {
    "type-a": "bench-corner",
    "type-b": "serial-line",
    "type-c": "quarry-lane",
    "type-d": "bench-corner",
}
"""A site with each type of lamp; type-e's is the bench corner, too."""
BENCH = (
    "bench accept SHEET --rig RIG --tours 1 --yes",
    "bench measure SHEET --rig RIG --yes",
    "bench discover --rig RIG --pretend SHEET --yes",
)


class Begun(BaseException):
    """The input was taken: what now comes would switch something, or serve."""


def _begun(*_: object, **__: object) -> NoReturn:
    raise Begun


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing real is begun, and no search is long."""
    from sequencer.bench.simulated import SimStand
    from sequencer.cli import bench_accept, bench_discover, bench_measure, play, sense
    from sequencer.daemon.loop import Daemon
    from sequencer.doubts import standing
    from sequencer.planner.plan import plan

    upkeep = importlib.import_module("sequencer.doubts.upkeep")  # of the package, its name is a function's
    for name in ("send", "supply", "dark", "look"):
        monkeypatch.setattr(SimStand, name, _begun)
    monkeypatch.setattr(Daemon, "run", _begun)
    monkeypatch.setattr(play, "play", _begun)
    monkeypatch.setattr(play, "open_relay", _begun)
    monkeypatch.setattr(sense, "open_meter", _begun)
    monkeypatch.setattr(plan, "__defaults__", (50,))
    monkeypatch.setattr(upkeep, "BUDGET", 50)
    monkeypatch.setattr(standing, "DAYS", 10)
    for command in (bench_accept, bench_measure, bench_discover):
        monkeypatch.setattr(command, "open_stand", _simulated_only(command.open_stand))


def _simulated_only(open_stand: Any) -> Any:
    @contextmanager
    def opened(rig: Any, *others: Any) -> Iterator[Any]:
        if not rig.simulated:
            raise Begun
        with open_stand(rig, *others) as stand:
            yield stand

    return opened


def commands(mutant: Mutant, random: Random) -> list[str]:
    """What is tried on it: the command that looks at all of it, and two others."""
    folder, _, name = mutant.file.rpartition("/")
    if folder == "rigs":
        return [*random.sample(BENCH, 2), "bench white --rig RIG"]
    if folder == "lamps":
        site = NAMED_BY.get(Path(name).stem, "bench-corner") + ".toml"
        return [
            f"check {site}",
            random.choice(BENCH),
            random.choice(SITE_COMMANDS[site]).replace("SITE", site),
        ]
    chosen = random.sample(SITE_COMMANDS[name], 2)
    return [f"check {name}", *(line.replace("SITE", name) for line in chosen)]


def typed(line: str, mutant: Mutant) -> list[str]:
    """The words of a command, for a mutant in the folder that is the working directory."""
    sheet = mutant.file if mutant.file.startswith("lamps/") else "lamps/type-a.toml"
    rig = mutant.file if mutant.file.startswith("rigs/") else "rigs/workshop.toml"
    return line.replace("SHEET", sheet).replace("RIG", rig).split()


def said(words: list[str]) -> tuple[int, str]:
    """The exit status and standard error; a command that began is a 0."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            return main(words), err.getvalue()
        except Begun:
            return 0, ""


def put(mutant: Mutant, folder: Path) -> None:
    """The mutant in place of the shipped file."""
    path = folder / mutant.file
    if path.is_dir():
        path.rmdir()
    path.unlink(missing_ok=True)
    if mutant.folder:
        path.mkdir()
    elif mutant.raw is not None:
        path.write_bytes(mutant.raw)


WHOLE = (
    r"no such file|a folder, not a file|cannot be read|longer than \d+ kB|and more than these \d+ problems",
    r": \[{1,2}[\w.-]+\]{1,2} is missing: it needs ",  # there is no line of a table that is not there
    r"no daemon serves|: no (circuit|scene|lamp) \"|has no scene|is missing: the site has|hangs on",
    r"no datasheet has a scene|says nothing of any supply|its lamps should draw is unknown|no meter reads",
    r"needs no white|no train reaches|no train brings it to",
)
"""What may be said without a line: of the file as a whole, or of what was typed."""
NO_LINE = re.compile("|".join(WHOLE))
TYPED = re.compile(
    r'^--\w+ is missing|: no lamp "|: lamp ".*": (no datasheet has a scene|\S+ has no scene)'
    r"|: no train reaches .* rig|: no train brings it to"
)
"""What may be said without a file: it is of what was typed, or of a plan."""
LEAK = re.compile(
    r"Traceback|NoneType|\b(tuple|dict|str|float|bool)\b|<class|\('|\{'|\['|Error\b|None\b|True\b|False\b|Input should"
)
"""Python's and its libraries' words, not a technician's."""
LONGEST = 500
"""Characters of one line."""


def wrong(mutant: Mutant, command: str, status: int, err: str) -> str:
    """What is wrong with how a command ended, or nothing."""
    if status in {0, 1}:
        return ""
    if status != 2 or not err:
        return f"exit {status}"
    lines = err.splitlines()
    faults = [fault for line in lines if (fault := _wrong_line(line))]
    reads_all = command.startswith(("check", "bench"))
    if mutant.another_type and reads_all and not any(_names(line, mutant) for line in lines):
        faults.append(f"neither {mutant.key} nor line {mutant.line} of {mutant.file} named")
    return "; ".join(faults)


def _wrong_line(line: str) -> str:
    if not line.isprintable() or len(line) > LONGEST:
        return "control characters, or too long a line"
    if leak := LEAK.search(line):
        return f"Python's own word {leak[0]!r}"
    if ".toml" not in line and not TYPED.search(line):
        return f"no file named: {line}"
    if not re.search(r"line \d+", line) and not NO_LINE.search(line):
        return f"no line named: {line}"
    return ""


def _names(line: str, mutant: Mutant) -> bool:
    name = mutant.file.rpartition("/")[2]
    return name in line and mutant.key in line and f"line {mutant.line}" in line


@pytest.mark.usefixtures("stage")
@pytest.mark.parametrize("batch", range(BATCHES))
def test_no_damaged_file_ends_otherwise(batch: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(CONFIG, tmp_path / "config")
    folder = tmp_path / "config"
    monkeypatch.chdir(folder)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "s"))
    counts: Counter[str] = Counter()
    faults: list[str] = []
    for number in range(batch * OF, (batch + 1) * OF):
        random = Random(f"{SEED}:{number}")
        mutant = drawn(random)
        put(mutant, folder)
        for line in commands(mutant, random):
            status, err = said(typed(line, mutant))
            counts[f"exit {status}"] += 1
            if fault := wrong(mutant, line, status, err):
                faults.append(
                    f"{number} {mutant.file} ({mutant.what}): lampstep {line}: {fault}\n    {err[:600]}"
                )
        put(Mutant(mutant.file, "", (CONFIG / mutant.file).read_bytes()), folder)
    print(f"MUTANT_SEED={SEED}, batch {batch}: {dict(counts)}")
    assert not faults, f"MUTANT_SEED={SEED}: {len(faults)} of {sum(counts.values())} runs\n" + "\n".join(
        faults
    )
