"""A site with a supply, invented, as text whose parts tests replace."""

from __future__ import annotations

from pathlib import Path

from sequencer.sitefile import Pad, load_site
from sequencer.supply.feed import Feed, feed_of

SITE = """\
[site]
name = "two basins"
latitude = 59.9
longitude = 10
timezone = "Europe/Oslo"
region = "nec"
[[circuit]]
name = "deep"
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "a.toml"
[[circuit.lamp]]
name = "south"
datasheet = "a.toml"
[supply.deep]
protection = { amps = 15, side = "secondary" }
contact_ohm = 0
[supply.deep.transformer]
primary_v = 120
frequency_hz = 60
va = 300
tap = 12
taps = [{ volts = 12 }, { volts = 13, mark = "left" }, { volts = 14 }]
unused_capped = true
regulation = 0.05
regulation_of = "full_load"
[[supply.deep.run]]
from = "transformer"
to = "box"
length_ft = 30
awg = 10
[[supply.deep.run]]
from = "box"
to = "rock"
length_m = 5
mm2 = 4
[[supply.deep.lamp]]
name = "north"
node = "box"
length_m = 4
awg = 14
[[supply.deep.lamp]]
name = "south"
node = "rock"
length_m = 6
awg = 14
[[scene]]
name = "rill"
[[scene]]
name = "squall"
"""

SHEET = """\
[lamp]
name = "count lamp"
selects_by = "count"
after_power_down = "remembered"
clock_tolerance = 0.03
[off]
ignored = [0, 0.02]
pulse = [0.12, 1.5]
power_down = [2.8, inf]
[on]
same_train = [0.15, 2.0]
settled = [3.5, inf]
[electrical]
watts = 30
power_factor = 0.92
volts = [11, 15]
[hold_up]
capacitance_f = 7e-3
dropout_v = 8.5
[[scene]]
code = 1
name = "rill"
watts = 15
[[scene]]
code = 2
name = "squall"
"""

Change = tuple[str, str]


def write(folder: Path, *changes: Change) -> Path:
    """Both files, with some text of either replaced once; gives the site file."""
    texts = {"site.toml": SITE, "a.toml": SHEET}
    for old, new in changes:
        (name,) = [name for name, text in texts.items() if old in text]
        texts[name] = texts[name].replace(old, new, 1)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "site.toml"


def pad(folder: Path, *changes: Change) -> Pad:
    """The site, read."""
    return load_site(write(folder, *changes))


def feed(folder: Path, *changes: Change) -> Feed:
    """Its supply."""
    found = feed_of(pad(folder, *changes), "deep")
    assert found is not None
    return found


def cases(file: str) -> list[tuple[list[Change], list[str]]]:
    """The cases of a file of changes to these texts and the lines that they give."""
    found: list[tuple[list[Change], list[str]]] = []
    path = Path(__file__).parents[1] / "misfits" / file
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("    "):
            found[-1][1].append(line.strip())
        elif line and not line.startswith("#"):
            if not found or found[-1][1]:
                found.append(([], []))
            old, _, new = line.replace("⏎", "\n").partition(" ->")
            found[-1][0].append((old, new.removeprefix(" ")))
    return found
