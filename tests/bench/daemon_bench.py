"""How soon the daemon sends, and how large it is: ``python tests/bench/daemon_bench.py [RUNS]``.

Prints Markdown (``docs/measured.md`` has one run of it). Everything that a site can ask for is in use: a calendar
with the sun in it, quiet hours, inputs and the indicator on gpiozero's mock pins, the journal, the socket. Root,
for what locking would add.
"""

from __future__ import annotations

import json
import os
import re
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.daemon.real import Daemon, wait_for, write_site  # noqa: E402
from tests.relay.peers import RawBoard, coil_board  # noqa: E402

EVERYTHING = """
[outputs.lap-pool]
indicator = { pin = 26 }
[[slot]]
name = "weekend"
scene = "quiet"
days = ["fri", "sat"]
start = "sunset-00:15"
end = "23:00"
[[slot]]
scene = "evening"
start = "00:00"
end = "23:59"
"""
RELAYS = {
    "simulated": 'driver = "simulated"',
    "gpio, mock pins": 'driver = "gpio"\npin = 17',
    "modbus": 'driver = "modbus"\nport = "{port}"\nbaud = 9600\nparity = "none"\nunit = 1\ncoil = 0',
}
PARTS = (
    ("the command line", "sequencer.cli.main"),
    ("pydantic", "pydantic"),
    ("the site file's tables", "sequencer.sitefile"),
    ("the daemon's tables, and the zones", "sequencer.sitefile.standing"),
    ("the journal, with sqlite3", "sequencer.journal.journal"),
    ("the daemon: core, loop, socket", "sequencer.daemon.serve"),
    ("apscheduler", "apscheduler.schedulers.background"),
    ("astral", "astral.sun"),
    ("gpiozero", "gpiozero"),
    ("pymodbus and pyserial", "pymodbus.client"),
)
"""In the order in which a start comes to them."""
IMPORTS = """
import sys, time
from importlib import import_module
def kb():
    with open("/proc/self/status") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("VmRSS"))
from sequencer.cli.start import lean_imports
from sequencer.daemon.lean import without_unused
found = [(0.0, kb())]
def measure(names):
    for name in names:
        begun, before = time.process_time(), kb()
        import_module(name)
        found.append((time.process_time() - begun, kb() - before))
with lean_imports():
    measure(sys.argv[1:7])
with without_unused():
    measure(sys.argv[7:])
print(found)
"""
LOCKED = """
import ctypes, sys
if ctypes.CDLL(None, use_errno=True).mlockall(int(sys.argv.pop(1))):
    raise SystemExit("memory cannot be locked here")
from sequencer.cli.main import main
raise SystemExit(main(sys.argv[1:]))
"""
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4


@contextmanager
def served(relay: str, environ: Mapping[str, str], locked: int = 0) -> Iterator[tuple[Daemon, float]]:
    """A daemon on a site of its own, and when its process was started, by the wall clock."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        coils: dict[int, bool] = {}
        board = RawBoard(lambda request: coil_board(request, coils))
        site = write_site(folder, RELAYS[relay].format(port=board.port))
        text = site.read_text().replace('button = { driver = "simulated" }', "button = { pin = 6 }")
        text = text.replace('occupied = { driver = "simulated" }', "occupied = { pin = 19 }")
        text = text.replace("[serve]\n", '[serve]\ntrust_clock_after_s = 0\nquiet = ["03:00-03:01"]\n')
        site.write_text(text + EVERYTHING)
        surroundings = {"GPIOZERO_PIN_FACTORY": "mock", **environ}
        with Daemon(site, folder / "state", surroundings) as daemon:
            if locked:
                daemon.command = [sys.executable, "-P", "-c", LOCKED, str(locked), "serve", str(site)]
            started = time.time()
            yield daemon.start(), started
        board.close()


def start_up(daemon: Daemon, started: float) -> dict[str, float]:
    """Milliseconds that each part of the way to the first edge took."""
    daemon.wait(matched=True, phase="lit")
    uri = (daemon.folder / "journal.sqlite3").as_uri()
    with closing(sqlite3.connect(f"{uri}?mode=ro", uri=True)) as reader:
        rows = reader.execute(
            "SELECT kind, unix_s, detail FROM entry WHERE kind IN ('start', 'intent', 'edges') ORDER BY id"
        ).fetchall()
    first: dict[str, tuple[float, dict[str, Any]]] = {}
    for kind, unix_s, detail in rows:
        first.setdefault(kind, (unix_s, json.loads(detail)))
    begun = float(first["edges"][1]["started_unix_s"])
    marks = [started, first["start"][0], first["intent"][0], begun]
    parts = [(after - before) * 1e3 for before, after in zip(marks, marks[1:], strict=False)]
    lead_in_ms = first["intent"][1]["lead_in_s"] * 1e3
    names = ("to its start", "the planner", "the player")
    return {**dict(zip(names, parts, strict=True)), "in all": sum(parts), "then the lead-in": lead_in_ms}


def memory(pid: int) -> dict[str, float]:
    """Megabytes of 1,000,000 bytes."""
    status = Path(f"/proc/{pid}/status").read_text()
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
    found = {
        name: int(re.findall(rf"^{name}:\s+(\d+) kB", text, re.M)[0])
        for text, names in ((status, ("VmRSS", "VmLck", "VmSize")), (rollup, ("Pss", "Anonymous")))
        for name in names
    }
    return {name: kb * 1024 / 1e6 for name, kb in found.items()}


def threads(pid: int) -> int:
    """How many it has."""
    return len(list(Path(f"/proc/{pid}/task").iterdir()))


def row(*cells: object) -> None:
    """One of a table."""
    print("|", " | ".join(f"{cell:.1f}" if isinstance(cell, float) else str(cell) for cell in cells), "|")


def head(*cells: str) -> None:
    """A table's."""
    print()
    row(*cells)
    print("|" + "---|" * len(cells))


def imports(environ: Mapping[str, str]) -> list[tuple[float, int]]:
    """Seconds and kB of each of :data:`PARTS`, one after the other in one process; first Python itself."""
    command = [sys.executable, "-P", "-c", IMPORTS, *(module for _, module in PARTS)]
    done = subprocess.run(command, env=environ, capture_output=True, text=True, check=True)
    return [(float(s), int(kb)) for s, kb in eval(done.stdout)]  # noqa: S307 - our own words


def main(runs: int = 7) -> None:
    """All tables, at real-time priority where that is permitted: other work on the machine then does not count."""
    with suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    with tempfile.TemporaryDirectory() as cache:
        # Byte code is kept, as an installed package's is, whatever this shell says.
        kept = {"PYTHONPYCACHEPREFIX": cache, "PYTHONDONTWRITEBYTECODE": ""}
        environ = {**os.environ, **kept, "PYTHONPATH": str(ROOT)}
        with served("simulated", environ) as (daemon, started):
            cold = start_up(daemon, started)
        print(f"\nFrom the daemon's start to the first edge, ms: medians of {runs}, byte code at hand.")
        head("relay", *cold)
        for relay in RELAYS:
            found = []
            for _ in range(runs):
                with served(relay, environ) as (daemon, started):
                    found.append(start_up(daemon, started))
            row(relay, *(statistics.median(each[name] for each in found) for name in cold))
        row("simulated, once, no byte code at hand", *cold.values())
        parts_of(environ, runs)
        sizes(environ)


def parts_of(environ: Mapping[str, str], runs: int) -> None:
    """What the imports take and weigh."""
    imports(environ)
    found = [imports(environ) for _ in range(runs)]
    print("\nEach import after the one above it, in one process, as the daemon does it; CPU time.")
    head("what", "ms", "resident, MB")
    row("Python itself", bare(environ, runs), statistics.median(each[0][1] for each in found) * 1024 / 1e6)
    for n, (name, _) in enumerate(PARTS, start=1):
        row(
            name,
            statistics.median(each[n][0] for each in found) * 1e3,
            statistics.median(each[n][1] for each in found) * 1024 / 1e6,
        )


def bare(environ: Mapping[str, str], runs: int) -> float:
    """CPU milliseconds of a Python process that does nothing."""
    found = []
    for _ in range(runs):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-P", "-c", "pass"], env=environ, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        found.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(found) * 1e3


def sizes(environ: Mapping[str, str]) -> None:
    """How large it is, matched and at rest."""
    print("\nResident memory of the daemon, matched and at rest, MB.")
    head("relay", "resident", "proportional (PSS)", "of it its own (anonymous)", "locked", "threads")
    ways = [(relay, 0, relay) for relay in RELAYS]
    ways += [
        ("modbus", MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT, "modbus, locked as it is touched"),
        ("modbus", MCL_CURRENT | MCL_FUTURE, "modbus, all locked"),
    ]
    for relay, locked, words in ways:
        with served(relay, environ, locked) as (daemon, _):
            daemon.wait(matched=True, phase="lit")
            assert daemon.process is not None
            pid = daemon.process.pid
            wait_for("the scheduler's thread", lambda pid=pid: threads(pid) >= 3)
            found = memory(pid)
            row(words, *(found[name] for name in ("VmRSS", "Pss", "Anonymous", "VmLck")), threads(pid))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
