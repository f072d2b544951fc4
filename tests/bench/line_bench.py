"""What a relay on a serial line costs at start, and round trips without a line: ``python -m tests.bench.line_bench``.

Wants Debian's socat and libmodbus5, takes under a minute and prints Markdown (``docs/measured.md``).
"""

from __future__ import annotations

import os
import statistics
import tempfile
from contextlib import closing
from pathlib import Path
from time import monotonic

from sequencer.player.process import play
from sequencer.relay.modbus import open_
from sequencer.train import Delays, Pulse, Train
from tests.bench.player_bench import GPIO, SIMULATED, bare
from tests.relay.peers import LibmodbusBoard, Wire

LINE = {
    "driver": "modbus",
    "contact": "normally_closed",
    "unit": 9,
    "coil": 2,
    "baud": 9600,
    "parity": "none",
}
MEASURED = (0.0, 1.0)
ROUND_TRIPS = 1000


def first_edge_s(relay: dict[str, object]) -> float:
    asked = monotonic()
    result = play(Train((Pulse(0.05, 0.3),)), Delays(), relay)
    return result.started_s + result.log.stamps[0].commanded_s - asked


def main() -> None:
    os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
    print(f"{os.cpu_count()} processors, load average before: {os.getloadavg()[0]:.2f}\n")
    with tempfile.TemporaryDirectory() as folder, Wire(Path(folder)) as wire:
        line: dict[str, object] = {**LINE, "port": str(wire.ours)}
        measured: dict[str, object] = {**line, "line_delay_s": MEASURED}
        with closing(LibmodbusBoard(wire.theirs, 9)):
            print("| driver | first edge after, ms |\n|---|---|")
            drivers = {
                "simulated": SIMULATED,
                "gpio, mock pins": GPIO,
                "modbus": measured,
                "modbus, measuring": line,
            }
            for name, relay in drivers.items():
                after = [first_edge_s(dict(relay)) * 1e3 for _ in range(15)]
                print(f"| {name} | {statistics.median(after):.0f} (least {min(after):.0f}) |")
            print(f"\n`import pymodbus.client`, a process: {bare('import pymodbus.client') * 1e3:.0f} ms")
            print(f"`pass`, a process: {bare('pass') * 1e3:.0f} ms\n")
            with open_(measured) as relay:
                trips = []
                for number in range(ROUND_TRIPS):
                    began = monotonic()
                    relay.set(number % 2 == 0)
                    trips.append((monotonic() - began) * 1e3)
            trips.sort()
            figures = (trips[0], statistics.median(trips), trips[ROUND_TRIPS * 99 // 100], trips[-1])
            print(
                f"{ROUND_TRIPS} edges of `set`, ms: least, median, p99, max:",
                *(f"{ms:.2f}" for ms in figures),
            )


if __name__ == "__main__":
    main()
