"""Rig files: what is accepted, and the exact lines for everything that is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.bench.rigfile import BenchTiming, MeterEyes, OperatorEyes, ScpiSupply, SensorEyes, load_rig
from sequencer.errors import InputError
from sequencer.train import Delays

RIGS = Path(__file__).parents[2] / "config" / "rigs"
MISFITS = Path(__file__).parents[1] / "misfits" / "rigfile.txt"

REAL = """\
[rig]
name = "shed"
[relay]
driver = "gpio"
pin = 17
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[supply]
driver = "scpi"
serial_number = "SU-1"
volts = [8, 16]
[eyes]
driver = "sensor"
port = "/dev/ttyACM0"
white = [900, 1000.5, 1100]
spread = 0.4
"""
METER = """\
driver = "meter"
port = "/dev/ttyUSB1"
unit = 4
register = 10
form = "uint16"
scale = 0.001
"""
LINE = 'driver = "modbus"\nport = "/dev/ttyUSB1"\nunit = 1\ncoil = 0\n'
EYES = REAL[REAL.index('driver = "sensor"') :]


def test_a_rig_that_is_real(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(REAL)
    rig = load_rig(path)
    assert isinstance(rig.supply, ScpiSupply)
    assert isinstance(rig.eyes, SensorEyes)
    assert (rig.name, rig.simulated, rig.volts_range) == ("shed", False, (8.0, 16.0))
    assert rig.relay.delays == Delays((0.005, 0.012), (0.003, 0.008))
    assert rig.timing == BenchTiming(margin_s=0.03, max_flashes_per_s=3.0, max_dark_s=60.0)
    assert (rig.eyes.baud, rig.supply.baud, rig.eyes.white) == (115200, 9600, (900.0, 1000.5, 1100.0))


def test_an_operator_and_a_meter(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    fixed = REAL.replace(
        'driver = "scpi"\nserial_number = "SU-1"\nvolts = [8, 16]', 'driver = "fixed"\nvolts = 12'
    )
    path.write_text(fixed.replace(EYES, 'driver = "operator"\n'))
    assert isinstance(load_rig(path).eyes, OperatorEyes)
    assert load_rig(path).volts_range is None
    path.write_text(fixed.replace(EYES, METER).replace('driver = "gpio"\npin = 17\n', LINE))
    eyes = load_rig(path).eyes  # a meter may share the relay's line
    assert isinstance(eyes, MeterEyes)
    assert (eyes.register_at, eyes.form, eyes.scale) == (10, "uint16", 0.001)


def test_the_rigs_in_config_are_sound_and_carry_their_cautions() -> None:
    for path in RIGS.glob("*.toml"):
        assert load_rig(path).simulated
        head = " ".join(path.read_text(encoding="utf-8").split("\n[", 1)[0].split())
        for word in ("INVENTED", "CAUTION", "ains and water kill", "icensed", "ocal"):
            assert word in head, word


def misfits() -> list[tuple[tuple[tuple[str, str], ...], tuple[str, ...]]]:
    """Cases of the misfits file: replacements, and the lines they lead to."""
    cases: list[tuple[tuple[tuple[str, str], ...], tuple[str, ...]]] = []
    changes: list[tuple[str, str]] = []
    lines: list[str] = []
    for line in [*MISFITS.read_text(encoding="utf-8").splitlines(), "-> ->"]:
        if line.startswith("    "):
            lines.append(line.strip())
        elif line and not line.startswith("#"):
            if lines:
                cases.append((tuple(changes), tuple(lines)))
                changes, lines = [], []
            old, _, new = line.partition(" ->")
            changes.append((old.replace("⏎", "\n"), new.removeprefix(" ").replace("⏎", "\n")))
    return cases


@pytest.mark.parametrize(("changes", "lines"), misfits())
def test_what_is_not_sound(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], lines: tuple[str, ...]
) -> None:
    text = REAL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "rig.toml"
    path.write_text(text)
    with pytest.raises(InputError) as raised:
        load_rig(path)
    assert raised.value.problems == tuple(f"{path}: {line}" for line in lines)


def test_an_empty_rig(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text('[rig]\nname = "x"\n')
    with pytest.raises(InputError) as raised:
        load_rig(path)
    assert raised.value.problems == (
        f"{path}: [relay] is missing: it needs side, make_s, break_s, contact, rated_cycles, driver",
        f"{path}: [supply] is missing: it needs driver",
        f"{path}: [eyes] is missing: it needs driver",
    )
