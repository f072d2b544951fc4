"""How long ``lampstep plan`` takes on the demo site, against a process that only imports pydantic.

Run it by hand: ``python tests/bench/startup_bench.py [RUNS]``. Both are run in turn, so that whatever else
the machine does falls on both alike; the ratio of the medians is the figure (aim: under 3). CPU time is
printed beside it, since it is what a busy machine changes least.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SITE = str(ROOT / "config" / "quarry-lane.toml")
SCRIPT = "import sys; from sequencer.cli.main import main; sys.exit(main())"  # as pip writes it
PEER = [sys.executable, "-c", "import pydantic"]
OURS = {
    "lampstep --version": ["--version"],
    "lampstep plan (two types)": ["plan", SITE, "--circuit", "lap-pool", "--scene", "evening", "--json"],
    "lampstep plan (one type)": ["plan", SITE, "--circuit", "plunge-pool", "--scene", "evening", "--json"],
}


def run(command: list[str], env: dict[str, str]) -> tuple[float, float]:
    """Wall and CPU seconds of one process."""
    began = time.perf_counter()
    child = subprocess.Popen(command, env=env, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command} ended with {child.returncode}")
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime


def main(runs: int = 21) -> None:
    """Print each command's medians and their ratio to the peer's."""
    commands = {"import pydantic": PEER, **{n: [sys.executable, "-c", SCRIPT, *a] for n, a in OURS.items()}}
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    with tempfile.TemporaryDirectory() as cache:
        # Byte code is kept, as an installed package's is, whatever this shell says.
        env = {**os.environ, "PYTHONPYCACHEPREFIX": cache}
        env.pop("PYTHONDONTWRITEBYTECODE", None)
        for command in commands.values():
            run(command, env)
        for _ in range(runs):
            for name, command in commands.items():
                times[name].append(run(command, env))
    peer = [statistics.median(column) for column in zip(*times["import pydantic"], strict=True)]
    print(f"{'':28}{'wall ms':>9}{'ratio':>7}{'CPU ms':>9}{'ratio':>7}   median of {runs}, run in turn")
    for name, taken in times.items():
        wall, cpu = (statistics.median(column) for column in zip(*taken, strict=True))
        print(f"{name:28}{wall * 1e3:9.1f}{wall / peer[0]:7.2f}{cpu * 1e3:9.1f}{cpu / peer[1]:7.2f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
