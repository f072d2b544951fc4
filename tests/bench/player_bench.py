"""How punctual the player is, against peers in the same run: ``python tests/bench/player_bench.py``.

Wants Debian's rt-tests and stress-ng, and root for real-time priority; takes under four minutes and
prints Markdown (``docs/measured.md`` is one run of it). Nothing is asserted of a maximum: on a shared
machine it belongs to the host. What it does assert is said where it is printed.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sequencer.player.loop import play_edges
from sequencer.player.process import play
from sequencer.player.realtime import MonotonicClock, ask_for_real_time
from sequencer.relay.simulated import SimulatedRelay
from sequencer.train import Delays, Limits, Pulse, Train

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sequencer.player.job import PlayResult

PRIORITY = 80
INTERVAL_S = 0.005
MARGIN_S = 0.03
"""An edge further off than this is spoiled: the margin that a site file has unless it says otherwise."""
NO_DELAYS = Delays((0.0, 0.0), (0.0, 0.0))
GPIO = {"driver": "gpio", "pin": 17, "contact": "normally_closed"}
SIMULATED = {"driver": "simulated", "contact": "normally_closed"}


class Spread(NamedTuple):
    """Microseconds."""

    count: int
    p50: float
    p99: float
    p999: float
    greatest: float

    @classmethod
    def of(cls, late_us: list[float]) -> Spread:
        ordered = sorted(late_us)
        at = [ordered[min(len(ordered) - 1, int(len(ordered) * part))] for part in (0.5, 0.99, 0.999)]
        return cls(len(ordered), *at, ordered[-1])

    def row(self, *names: str) -> str:
        figures = (f"{value:.1f}" for value in self[1:])
        return f"| {' | '.join(names)} | {self.count} | {' | '.join(figures)} |"


def evenly(edges: int, interval_s: float = INTERVAL_S) -> Train:
    return Train((Pulse(interval_s, interval_s),) * (edges // 2))


def late_us(result: PlayResult) -> list[float]:
    assert result.log.outcome == "finished", result.log.detail
    return [stamp.late_s * 1e6 for stamp in result.log.stamps]


def ours(edges: int, relay: dict[str, object] = GPIO) -> PlayResult:
    return play(evenly(edges), NO_DELAYS, relay, (MARGIN_S,) * edges, priority=PRIORITY)


def cyclictest(loops: int) -> list[float]:
    command = ["cyclictest", "--quiet", "--mlockall", f"--priority={PRIORITY}", "--threads=1"]
    command += [f"--interval={INTERVAL_S * 1e6:.0f}", f"--loops={loops}", "--histogram=50000"]
    said = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout
    late: list[float] = []
    for at, count in re.findall(r"^(\d{6}) (\d+)$", said, re.MULTILINE):
        late += [float(at)] * int(count)
    return late


BUSY = ("--cpu", "2", "--vm", "1", "--vm-bytes", "64M")
WRITING = (*BUSY, "--hdd", "1", "--hdd-bytes", "64M", "--temp-path", "/tmp")  # noqa: S108


@contextmanager
def stress(load: tuple[str, ...]) -> Iterator[None]:
    """stress-ng with ``load``, for two minutes at most; without one, nothing."""
    if not load:
        yield
        return
    hogs = subprocess.Popen(["stress-ng", "--quiet", "--timeout", "120s", *load])
    time.sleep(1.0)
    try:
        yield
    finally:
        hogs.terminate()
        hogs.wait(30)


def against_cyclictest() -> None:
    print(f"\n## Lateness of each edge, every {INTERVAL_S * 1e3:g} ms at `SCHED_FIFO` {PRIORITY}, us\n")
    print("Busy: `stress-ng` on both processors and memory; writing: on the disk too.")
    print("The player has the GPIO driver, on mock pins.\n")
    print("| | what | edges | p50 | p99 | p99.9 | max |\n|---|---|---|---|---|---|---|")
    for name, edges, load in (("idle", 2000, ()), ("busy", 10_000, BUSY), ("writing", 2000, WRITING)):
        peer: list[float] = []
        mine: list[float] = []
        spoiled = 0
        with stress(load):
            for _ in range(2):
                peer += cyclictest(edges // 2)
                result = ours(edges // 2)
                mine += late_us(result)
                spoiled += len(result.beyond)
        theirs, own = Spread.of(peer), Spread.of(mine)
        print(theirs.row(name, "cyclictest"))
        print(own.row(name, "player"))
        ratios = (f"{mine / peer:.2f}" for mine, peer in zip(own[1:], theirs[1:], strict=True))
        print(f"| {name} | player / cyclictest | | {' | '.join(ratios)} |")
        print(f"| {name} | spoiled, over {MARGIN_S * 1e3:g} ms | {spoiled} | | | | |")


BLINK = """
import os, gpiozero
if {priority}:
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param({priority}))
device = gpiozero.DigitalOutputDevice(17)
device.pin.clear_states()
device.blink({half}, {half}, n={pulses}, background=False)
print(sum(state.timestamp for state in device.pin.states[2:]) - (2 * {pulses} - 1) * {half})
"""


def against_blink() -> None:
    pulses, half = 200, 0.01
    print(f"\n## Drift from the first edge to the last, {pulses} pulses of 2 x {half * 1e3:g} ms, ms\n")
    print("| | player | gpiozero `blink` | `blink` at the player's priority |\n|---|---|---|---|")
    for name, load in (("idle", ()), ("busy", BUSY)):
        with stress(load):
            result = play(evenly(2 * pulses, half), NO_DELAYS, GPIO, priority=PRIORITY)
            blinks = [blink(pulses, half, priority) for priority in (0, PRIORITY)]
        first, last = result.log.stamps[0], result.log.stamps[-1]
        drift_s = (last.commanded_s - first.commanded_s) - (last.due_s - first.due_s)
        print(f"| {name} | {drift_s * 1e3:.3f} | {' | '.join(f'{drift * 1e3:.1f}' for drift in blinks)} |")


def blink(pulses: int, half: float, priority: int) -> float:
    code = BLINK.format(half=half, pulses=pulses, priority=priority)
    command = [sys.executable, "-c", code]
    return float(subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout)


def python_loop(stop: Callable[[], bool]) -> None:
    number = 0
    while not stop():
        for step in range(1000):
            number += step * step


def long_c_call(stop: Callable[[], bool]) -> None:
    while not stop():
        sum(range(2_000_000))  # holds the interpreter's lock throughout


def free_c_call(stop: Callable[[], bool]) -> None:
    while not stop():
        hashlib.pbkdf2_hmac("sha256", b"lido", b"salt", 100_000)  # lets it go


@contextmanager
def burning(*loads: Callable[[Callable[[], bool]], None]) -> Iterator[None]:
    """The first load in a thread of this process, the second in another thread or, if Python, a fork."""
    over = threading.Event()
    threads = [threading.Thread(target=load, args=(over.is_set,), daemon=True) for load in loads]
    fork = None
    if python_loop in loads:
        fork = multiprocessing.get_context("fork").Process(target=python_loop, args=(bool,), daemon=True)
        fork.start()
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()
        if fork is not None:
            fork.kill()
            fork.join()


def in_a_thread(edges: int) -> list[float]:
    """What the player would be as a thread of its parent, at the same priority."""
    late: list[float] = []

    def run() -> None:
        for note in ask_for_real_time(PRIORITY):
            print(f"({note})")
        log = play_edges(evenly(edges).edges(), NO_DELAYS, SimulatedRelay(), MonotonicClock())
        late.extend(stamp.late_s * 1e6 for stamp in log.stamps)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    return late


def beside_a_busy_parent() -> None:
    print("\n## Lateness while the parent burns both processors, us\n")
    print("A thread of the parent at the same priority is what the player would be without its process.\n")
    print("| parent | player | edges | p50 | p99 | p99.9 | max |\n|---|---|---|---|---|---|---|")
    for name, loads in (
        ("rests", ()),
        ("Python loops", (python_loop,)),
        ("C calls", (long_c_call, free_c_call)),
    ):
        with burning(*loads):
            print(Spread.of(late_us(ours(2000))).row(name, "process"))
            if loads:
                print(Spread.of(in_a_thread(500)).row(name, "thread"))


def start_and_size() -> None:
    print("\n## From start to first edge, and size\n")
    print("Medians of 15, from the parent's call of `play` on.\n")
    print("| driver | first edge after, ms | resident, MB | locked, MB |\n|---|---|---|---|")
    sizes: dict[str, int] = {}

    def note_memory(_zero: float) -> None:
        sizes.update(memory_of_child())

    for name, relay in (("simulated", SIMULATED), ("gpio, mock pins", GPIO)):
        after: list[float] = []
        for _ in range(15):
            asked = time.monotonic()
            result = play(
                Train((Pulse(0.05, 0.0),)),
                Delays(),
                relay,
                limits=Limits(max_flashes_per_s=1e3),
                priority=PRIORITY,
                on_start=note_memory,
            )
            after.append(result.started_s + result.log.stamps[0].commanded_s - asked)
        print(
            f"| {name} | {statistics.median(after) * 1e3:.0f} (least {min(after) * 1e3:.0f}) "
            f"| {sizes['VmHWM'] / 1024:.1f} | {sizes['VmLck'] / 1024:.1f} |"
        )
    codes = ("pass", "import json, threading, ctypes", "import gpiozero", "import lgpio")
    print("\nIn the same run, a Python process that only does this, from start to end, ms:\n")
    print(f"| {' | '.join(f'`{code}`' for code in codes)} |\n|---|---|---|---|")
    print(f"| {' | '.join(f'{bare(code) * 1e3:.0f}' for code in codes)} |")


def memory_of_child() -> dict[str, int]:
    me = os.getpid()
    (child,) = Path(f"/proc/{me}/task/{me}/children").read_text().split()
    status = Path(f"/proc/{child}/status").read_text()
    return {name: int(kb) for name, kb in re.findall(r"(VmHWM|VmLck):\s+(\d+)", status)}


def bare(code: str) -> float:
    path = os.pathsep.join(filter(None, sys.path))
    times = []
    for _ in range(15):
        began = time.monotonic()
        subprocess.run(
            [sys.executable, "-S", "-c", code],
            check=True,
            env={**os.environ, "PYTHONPATH": path},
            cwd="/tmp",  # noqa: S108
        )
        times.append(time.monotonic() - began)
    return statistics.median(times)


def main() -> None:
    missing = [tool for tool in ("cyclictest", "stress-ng") if shutil.which(tool) is None]
    if missing:
        sys.exit(f"not installed: {', '.join(missing)} (apt install rt-tests stress-ng)")
    os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
    began = time.monotonic()
    system = f"Python {platform.python_version()}, Linux {platform.release().split('-')[0]}"
    print(f"{system}, {os.cpu_count()} processors, load average before: {os.getloadavg()[0]:.2f}")
    start_and_size()
    against_cyclictest()
    against_blink()
    beside_a_busy_parent()
    print(f"\n(took {time.monotonic() - began:.0f} s)")


if __name__ == "__main__":
    main()
