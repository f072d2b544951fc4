"""The reference sketch of docs/colour-sensor.cpp, compiled for this machine, against the driver over a real pty."""

from __future__ import annotations

import os
import shutil
import subprocess
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer.bench.colours import difference
from sequencer.errors import HardwareError
from sequencer.instruments.sensor import open_

pytestmark = pytest.mark.debian

BOARD = Path(__file__).parent / "board"
SKETCH = Path(__file__).parents[2] / "docs" / "colour-sensor.cpp"


@pytest.fixture(scope="module")
def sketch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("g++")
    if compiler is None and not os.environ.get("CI"):
        pytest.skip("no C++ compiler (apt install g++)")
    program = tmp_path_factory.mktemp("sketch") / "sketch"
    sources = [str(SKETCH), str(BOARD / "board.cpp")]
    options = ["-Wall", "-Wextra", "-Werror", "-O1", f"-I{BOARD}", "-o", str(program)]
    subprocess.run([compiler or "g++", *options, *sources], check=True, timeout=120)
    return program


@contextmanager
def running(program: Path, **environment: str) -> Iterator[str]:
    far, near = os.openpty()
    tty.setraw(near)
    with subprocess.Popen(
        [str(program)], stdin=far, stdout=far, env={**os.environ, **environment}
    ) as process:
        try:
            yield os.ttyname(near)
        finally:
            process.kill()
    os.close(far)
    os.close(near)


def spec(port: str) -> dict[str, object]:
    line = {"serial_number": None, "port": port, "baud": 115200, "timeout_s": 5.0}
    eye = {
        "white": (950.0, 1000.0, 1088.0),
        "spread": 0.3,
        "allowance": 6.0,
        "still_s": 3.0,
        "longest_s": 20.0,
    }
    return {**line, **eye}


def test_the_sketch_keeps_to_the_protocol(sketch: Path) -> None:
    with running(sketch) as port, open_(spec(port)) as eyes:
        seen = eyes.look()
        assert eyes.notes == ("The sensor says it is bench eye, xyz",)
        assert seen.period_s is None
        assert seen.colour is not None
        assert difference(seen.colour, "#bcbcbc") < 1  # half of white: 188 in sRGB (IEC 61966-2-1)
        assert eyes.look() == seen


def test_too_bright_is_said(sketch: Path) -> None:
    with running(sketch, BRIGHT="1") as port, open_(spec(port)) as eyes:
        look = eyes.look
        with pytest.raises(HardwareError, match="colour sensor: too bright"):
            look()


@pytest.mark.parametrize(
    ("said", "answer"),
    [
        (b"ID?*4A\n", b"NO,damaged*"),
        (b"ID?\n", b"NO,damaged*"),
        (b"GO,5*11\n", b"NO,not understood*"),
        (b"HELLO*42\n", b"NO,not understood*"),
        (b"x" * 500 + b"\n", b"NO,damaged*"),
        (b"\r\n\nSTOP*18\r\n", b"OK*04\n"),
    ],
)
def test_what_it_is_told_wrongly(sketch: Path, said: bytes, answer: bytes) -> None:
    found = subprocess.run([str(sketch)], input=said, capture_output=True, timeout=20, check=True)
    assert found.stdout.startswith(answer)
