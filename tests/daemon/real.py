"""``lampstep serve`` as a process of its own, on a pad whose trains take some seconds.

Nothing here waits for a time to pass to see whether something comes in it: what is waited for is a condition, and
the bound is so generous that reaching it is a failure on any machine.
"""

from __future__ import annotations

import atexit
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any, Self
from urllib.parse import quote

from sequencer.daemon.wire import ask_daemon
from sequencer.errors import HardwareError

ROOT = Path(__file__).parents[2]
NAME = "Quarry Lane lido"
CIRCUIT = "lap-pool"
BOUND_S = 60.0
"""For anything; what is waited for takes seconds."""
LOOK_S = 0.02

COUNTS = """
[lamp]
name = "Quick type, counts"
selects_by = "count"
after_power_down = "remembered"
overflow = "unknown"
clock_tolerance = 0.02
[off]
ignored = [0, 0.01]
pulse = [0.1, 0.6]
power_down = [0.8, inf]
[on]
same_train = [0.08, 0.7]
settled = [1.0, inf]
warm_up = [0.3, inf]
"""
STEPS = """
[lamp]
name = "Quick type, steps"
selects_by = "step"
after_power_down = "remembered"
clock_tolerance = 0.02
[off]
ignored = [0, 0.02]
pulse = [0.1, 0.5]
reset = [1.1, 1.7]
power_down = [2.3, inf]
[on]
same_train = [0.1, inf]
warm_up = [0.4, inf]
"""
COLOURS = {"millpond": "#0b6672", "moss": "#4f7d2c", "slate": "#51606b", "heather": "#8a5a9e"}
SITE = """
[site]
name = "{name}"
latitude = 44.0
longitude = -72.0
timezone = "America/New_York"
region = "nec"
[timing]
margin_s = 0.04
[serve]
favourites = ["evening", "quiet"]
steady_s = 1
max_cycles_per_h = 2000
[inputs.lap-pool]
switch = {{ driver = "simulated" }}
button = {{ driver = "simulated" }}
sense = {{ driver = "simulated" }}
occupied = {{ driver = "simulated" }}
[[circuit]]
name = "lap-pool"
[circuit.relay]
{relay}
side = "secondary"
make_s = [0.002, 0.006]
break_s = [0.002, 0.006]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "counts.toml"
[[circuit.lamp]]
name = "middle"
datasheet = "{second}.toml"
[[circuit.lamp]]
name = "south"
datasheet = "counts.toml"
[[scene]]
name = "evening"
picks = {{ {evening} }}
[[scene]]
name = "quiet"
picks = {{ {quiet} }}
"""

PICKS = {"evening": {"counts": "moss", "steps": "slate"}, "quiet": {"counts": "millpond", "steps": "moss"}}


def write_site(folder: Path, relay: str = 'driver = "simulated"', second: str = "counts") -> Path:
    """The site file and its datasheets; ``second`` is the type of the lamp in the middle.

    With counting lamps alone a train takes less than two seconds, with a stepping one ("steps") three.
    """
    scenes = "".join(
        f'[[scene]]\ncode = {code}\nname = "{name}"\ncolour = "{colour}"\n'
        for code, (name, colour) in enumerate(COLOURS.items(), start=1)
    )
    for stem, text in (("counts", COUNTS), ("steps", STEPS)):
        (folder / f"{stem}.toml").write_text(text + scenes)
    picks = {
        scene: ", ".join(f'{stem} = "{name}"' for stem, name in named.items() if stem in {"counts", second})
        for scene, named in PICKS.items()
    }
    path = folder / "site.toml"
    path.write_text(SITE.format(name=NAME, relay=relay, second=second, **picks))
    return path


@cache
def byte_code() -> str:
    """A folder for it; all daemons that this process starts share it."""
    folder = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def wait_for(what: str, is_so: Callable[[], Any], bound_s: float = BOUND_S) -> Any:
    """What ``is_so`` gives, as soon as that is true."""
    deadline = time.monotonic() + bound_s
    while not (found := is_so()):
        assert time.monotonic() < deadline, f"{what}: not so after {bound_s:.0f} s"
        time.sleep(LOOK_S)
    return found


class Daemon:
    """One life after the other of the daemon of one site; ``environ`` comes on top of this process's."""

    def __init__(self, site: Path, state: Path, environ: Mapping[str, str] = {}) -> None:
        self.site = site
        self.folder = state / "lampstep" / quote(NAME, safe="")
        self.socket = self.folder / "serve.socket"
        self.environ = {
            **{name: value for name, value in os.environ.items() if name not in _SYSTEMD},
            "XDG_STATE_HOME": str(state),
            "RUNTIME_DIRECTORY": str(state / "none"),
            "PYTHONPATH": str(ROOT),
            "PYTHONDONTWRITEBYTECODE": "",  # as on a board, a second start finds byte code
            "PYTHONPYCACHEPREFIX": byte_code(),
            **environ,
        }
        self.command = [sys.executable, "-P", "-m", "sequencer", "serve", str(site)]
        self.log = state / "log"
        self.process: subprocess.Popen[bytes] | None = None
        self._players: set[int] = set()

    def start(self) -> Self:
        """Start it; it need not have come to anything yet."""
        self.log.parent.mkdir(parents=True, exist_ok=True)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command, env=self.environ, stdout=log, stderr=log)
        return self

    def said(self) -> str:
        """All that it has said on its outputs, in all its lives."""
        return self.log.read_text(encoding="utf-8", errors="replace")

    def status(self) -> dict[str, Any] | None:
        """The circuit's; None while nobody listens."""
        assert self.process is not None
        assert self.process.poll() is None, f"the daemon ended with {self.process.returncode}: {self.said()}"
        try:
            answer = ask_daemon(self.socket, {"do": "status"})
        except (HardwareError, TypeError):  # it was killed while it answered, or its socket was being made
            return None
        return None if answer is None else dict(answer["circuits"][0])

    def wait(self, **fields: object) -> dict[str, Any]:
        """The circuit's status, as soon as it says all of these."""

        def found() -> dict[str, Any] | None:
            said = self.status()
            return said if said is not None and fields.items() <= said.items() else None

        try:
            return dict(wait_for(f"{fields}", found))
        except AssertionError:
            raise AssertionError(f"{fields}: never came; {self.status()}; {self.said()}") from None

    def sending(self) -> int:
        """Wait for a train; its player's process."""
        return int(wait_for("a player", self.player))

    def player(self) -> int | None:
        """The process that plays for this daemon now."""
        assert self.process is not None
        for entry in Path("/proc").glob("[0-9]*"):
            try:
                words = (entry / "cmdline").read_bytes()
                parent = (entry / "stat").read_text().rpartition(")")[2].split()[1]
            except OSError:  # it has ended meanwhile
                continue
            if b"sequencer.player.child" in words and int(parent) == self.process.pid:
                self._players.add(int(entry.name))
                return int(entry.name)
        return None

    def kill(self) -> None:
        """SIGKILL, and wait for its end."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self, bound_s: float = BOUND_S) -> int:
        """SIGTERM, and wait; its exit status."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(bound_s)

    def entries(self, kind: str) -> list[dict[str, Any]]:
        """The details of the journal's entries of a kind, the oldest first."""
        found = self._read("SELECT detail FROM entry WHERE kind = ? ORDER BY id", kind)
        return [json.loads(detail) for (detail,) in found]

    def intents(self) -> list[tuple[float, dict[str, Any]]]:
        """When each train was begun, on the monotonic clock, and its details, the oldest first."""
        found = self._read("SELECT at_s, detail FROM entry WHERE kind = ? ORDER BY id", "intent")
        return [(at, json.loads(detail)) for at, detail in found]

    def cycles(self) -> int:
        """The relay's cycles for ever, as the journal has them."""
        return int(self._read("SELECT ifnull(sum(cycles), 0) FROM day")[0][0])

    def _read(self, query: str, *values: str) -> list[Any]:
        uri = (self.folder / "journal.sqlite3").as_uri()
        with closing(sqlite3.connect(f"{uri}?mode=ro", uri=True)) as reader:
            return reader.execute(query, values).fetchall()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing of it is left behind."""
        if self.process is not None:
            self.player()
            if self.process.poll() is None:
                self.kill()
        for pid in self._players:
            kill(pid)


_SYSTEMD = {"STATE_DIRECTORY", "RUNTIME_DIRECTORY", "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"}


def kill(pid: int) -> None:
    """SIGKILL to a player that :meth:`Daemon.player` has found; nothing happens if it has ended."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes()
        if b"sequencer.player.child" in words:
            os.kill(pid, signal.SIGKILL)
    except (FileNotFoundError, ProcessLookupError):
        pass


def is_there(pid: int) -> bool:
    """Whether a process still runs."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
