"""The sensor's driver over a real pseudo-terminal: what it sees, and what it does with a bad line."""

from __future__ import annotations

import math

import pytest

from sequencer.bench.colours import difference
from sequencer.errors import HardwareError
from sequencer.instruments.light import D65_XYZ, Triple, White
from sequencer.instruments.line import TextLine
from sequencer.instruments.sensor import ColourSensor, framed, open_, unframed
from sequencer.instruments.twins import SimulatedSensor

WHITE: Triple = (950.47, 1000.0, 1088.83)


def spec(port: str, **changes: object) -> dict[str, object]:
    given = {
        "serial_number": None,
        "port": port,
        "baud": 115200,
        "timeout_s": 2.0,
        "white": WHITE,
        "spread": 0.3,
    }
    return {**given, "allowance": 6.0, "still_s": 3.0, "longest_s": 60.0, **changes}


def still(_: float) -> Triple:
    return (0.2 * WHITE[0], 0.3 * WHITE[1], 0.4 * WHITE[2])


def moving(at: float) -> Triple:
    turn = 2 * math.pi * at / 8
    return (500 + 300 * math.sin(turn), 500 + 200 * math.cos(turn), 400.0)


# The checksum of NMEA 0183: worked by hand, G is 0x47, O 0x4f, so "GO" is 0x08.
@pytest.mark.parametrize(("payload", "line"), [("GO", "GO*08"), ("", "*00"), ("A", "A*41")])
def test_the_checksum(payload: str, line: str) -> None:
    assert framed(payload) == line
    assert unframed(line) == payload


@pytest.mark.parametrize("line", ["GO*09", "GO", "G0*08", "GO*8", "GO*08 ", "", "*", "G\ufffd*08"])
def test_damaged_lines(line: str) -> None:
    assert unframed(line) is None


def test_a_still_light() -> None:
    with SimulatedSensor(still, noise=0.003) as twin, open_(spec(twin.port)) as eyes:
        seen = eyes.look()
        assert seen.period_s is None
        again = eyes.look()
        assert seen.colour is not None
        assert again.colour is not None
        assert difference(seen.colour, again.colour) < 1
        assert eyes.threshold == pytest.approx(6.0 + 4.6 * 0.3 / math.sqrt(3))
        assert eyes.notes == ("The sensor says it is simulated, xyz",)


def test_a_moving_light_and_the_dark() -> None:
    with SimulatedSensor(moving, noise=0.003) as twin, open_(spec(twin.port)) as eyes:
        assert eyes.look().period_s == pytest.approx(8.0, rel=0.02)
    with SimulatedSensor(lambda _: (0.0, 0.0, 0.0)) as twin, open_(spec(twin.port)) as eyes:
        assert eyes.look().dark


def test_a_light_that_never_repeats_itself_has_no_scenes_period() -> None:
    with (
        SimulatedSensor(lambda at: (100 + 40 * at, 500.0, 500.0)) as twin,
        open_(spec(twin.port, longest_s=20.0)) as eyes,
    ):
        assert eyes.look().period_s == 20.0


def test_white_is_measured_with_the_same_code_and_then_serves() -> None:
    cast: Triple = (D65_XYZ[0] * 700, 650.0, 800.0)
    with SimulatedSensor(lambda _: cast, noise=0.005) as twin:
        with open_(spec(twin.port, white=None, spread=None)) as eyes:
            white = eyes.white()
            with pytest.raises(HardwareError, match="not calibrated: run lampstep bench white"):
                eyes.look()
        assert white.channels == pytest.approx(cast, rel=0.01)
        with open_(spec(twin.port, white=white.channels, spread=white.spread)) as eyes:
            seen = eyes.look().colour
            assert seen is not None
            assert all(int(seen[i : i + 2], 16) >= 252 for i in (1, 3, 5))


def test_some_damaged_lines_are_left_out_and_told() -> None:
    with SimulatedSensor(still, damaged=40) as twin, open_(spec(twin.port)) as eyes:
        eyes.look()
        assert eyes.notes[-1].endswith("lines from the sensor were damaged and left out")


def test_many_damaged_lines_are_an_error() -> None:
    with SimulatedSensor(still, damaged=4) as twin, open_(spec(twin.port)) as eyes:
        words = r"colour sensor: .* lines are damaged: see that the baud rate"
        with pytest.raises(HardwareError, match=words):
            eyes.look()


class Says(SimulatedSensor):
    """Says something else to one of the words."""

    def __init__(self, word: str, answer: str | None, unasked: bytes | None = None) -> None:
        super().__init__(still)
        self._word, self._answer, self._unasked = word, answer, unasked

    def line(self, text: str) -> str | None:
        answer = super().line(text)
        return self._answer if unframed(text) == self._word else answer

    def idle(self) -> bytes:
        found = super().idle()
        return self._unasked if found and self._unasked is not None else found


@pytest.mark.parametrize(
    ("twin", "words"),
    [
        (Says("ID?", framed("ID,other,2,xyz")), "'ID,other,2,xyz' is no answer to ID"),
        (Says("ID?", framed("ID,other,1,lab")), "no answer to ID"),
        (Says("ID?", "ID,other,1,xyz*00"), "its answer to ID. is damaged"),
        (Says("ID?", None), "no answer in time"),
        (Says("GO,50", framed("NO,not now")), r"it refuses to read \(NO,not now\)"),
        (Says("", "", framed("X,50,too bright").encode() + b"\n"), "colour sensor: too bright"),
        (Says("", "", framed("S,7,1,2,3").encode() + b"\n"), "its clock stands still"),
        (Says("", "", framed("S,1,2").encode() + b"\n"), "lines are damaged"),
    ],
)
def test_what_it_says_wrong(twin: Says, words: str) -> None:
    ticks = iter(range(10**9))

    def look() -> None:
        line = TextLine("colour sensor", None, twin.port, baud=115200, timeout_s=0.2)
        white, now = White(WHITE, 0.3), lambda: next(ticks) / 100
        with ColourSensor(line, white=white, allowance=6.0, still_s=3.0, longest_s=60.0, now=now) as eyes:
            eyes.look()

    with twin, pytest.raises(HardwareError, match=words):
        look()


def test_one_that_was_cut_off_while_it_read_is_stopped_first() -> None:
    with SimulatedSensor(still) as twin:
        twin._every_ms = 50
        with open_(spec(twin.port)) as eyes:
            assert eyes.look().period_s is None
