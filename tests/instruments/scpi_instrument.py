"""An instrument that others wrote, on a pseudo-terminal: pyvisa-sim's engine behind sinstruments' serial port.

Run as a program, with the port's path, a definition file in pyvisa-sim's format, and a resource in it.
"""

import sys
from typing import Any

import gevent
from pyvisa_sim.parser import get_devices
from sinstruments.simulator import BaseDevice, Server


class Instrument(BaseDevice):
    """Hands lines to the engine, and its answers back."""

    def __init__(self, name: str, **options: Any) -> None:
        self._engine = get_devices(options.pop("definition"), False)[options.pop("resource")]
        super().__init__(name, **options)

    def handle_message(self, line: bytes) -> bytes | None:
        self._engine.write(line.strip() + self._engine._query_eom)
        answer = bytearray()
        while True:
            byte, end = self._engine.read()
            answer += byte
            if end or not byte:
                return bytes(answer) or None


def main(port: str, definition: str, resource: str) -> None:
    device = {
        "class": "Instrument",
        "package": "__main__",
        "name": "supply",
        "definition": definition,
        "resource": resource,
        "transports": [{"type": "serial", "url": port}],
    }
    server = Server(devices=[device])
    tasks = server.start()
    print("ready", flush=True)
    gevent.joinall(tasks)


if __name__ == "__main__":
    main(*sys.argv[1:])
