"""What does not fit: exit status 2, and every problem in a plain line of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.cli.main import main

SCENE = "--circuit lap-pool --scene evening"
PLAN = f"plan LIDO {SCENE}"
HELP = "lampstep {0} --help tells more"
LAMPS = 'known are "north", "north steps", "middle", "south", "south steps"'
USAGE = "SITE [--circuit CIRCUIT] --scene SCENE [--from LAMP=SCENE ...] [--from-dark | --after-cut]"

CASES: dict[str, tuple[str, ...]] = {
    # which command
    "": ("lampstep: the first word is a command: try lampstep demo, or see lampstep --help",),
    "--plain": ("lampstep: the first word is a command: try lampstep demo, or see lampstep --help",),
    "''": ("lampstep: the first word is a command: try lampstep demo, or see lampstep --help",),
    "chek LIDO": ('lampstep: no command "chek": did you mean "check"?',),
    "zzz": ('lampstep: no command "zzz": lampstep --help lists them',),
    # which site
    "check": ("lampstep check: no site file: name one, as in lampstep check SITE [--json]",),
    "check ''": ("lampstep check: no site file: name one, as in lampstep check SITE [--json]",),
    "plan": (f"lampstep plan: no site file: name one, as in lampstep plan {USAGE} [--json]",),
    "check LIDO.old": ('LIDO.old: no such file: did you mean "quarry-lane.toml"?',),
    "check LIDO other.toml": (
        'lampstep check: "other.toml" left over: put quotes around a name with spaces',
    ),
    "demo LIDO": ('lampstep demo: "LIDO" left over: put quotes around a name with spaces',),
    # which circuit, scene and lamps
    "plan LIDO": (
        '--circuit is missing: the site has "lap-pool", "plunge-pool"',
        '--scene is missing: the site has "evening", "quiet", "festival", "clean-up"',
    ),
    "play LIDO --circuit lap-pool": (
        '--scene is missing: the site has "evening", "quiet", "festival", "clean-up"',
    ),
    "rehearse LIDO --circuit lap-pol --scene evning": (
        'quarry-lane.toml: no circuit "lap-pol": did you mean "lap-pool"?',
        'quarry-lane.toml: no scene "evning": did you mean "evening"?',
    ),
    "plan LIDO --circuit lap-pool --scene": (
        f"lampstep plan: argument --scene: expected one argument; {HELP.format('plan')}",
    ),
    f"{PLAN} --from nroth=moss --from 'sooth steps=fern'": (
        'lap-pool: no lamp "nroth": did you mean "north"?',
        'lap-pool: no lamp "sooth steps": did you mean "south steps"?',
    ),
    f"{PLAN} --from zzz=moss": (f'lap-pool: no lamp "zzz": {LAMPS}',),
    f"{PLAN} --from north=mos": ('lap-pool: lamp "north": type-a has no scene "mos": did you mean "moss"?',),
    f"{PLAN} --from north": (
        f'lampstep plan: argument --from: must be LAMP=SCENE, not "north"; {HELP.format("plan")}',
    ),
    f"{PLAN} --from =moss": (
        f'lampstep plan: argument --from: must be LAMP=SCENE, not "=moss"; {HELP.format("plan")}',
    ),
    f"{PLAN} --from north=": (
        f'lampstep plan: argument --from: must be LAMP=SCENE, not "north="; {HELP.format("plan")}',
    ),
    f"{PLAN} --from north=moss --from south=moss --from north=slate": (
        '--from: lamp "north" is given twice ("moss" and "slate"): give it once',
    ),
    f"{PLAN} --from-dark --after-cut": (
        f"lampstep plan: argument --after-cut: not allowed with argument --from-dark; {HELP.format('plan')}",
    ),
    # options that are not there, all at once
    "plan --sceen=evening --circit=lap-pool": (
        'lampstep plan: no option "--sceen": did you mean "--scene"?',
        'lampstep plan: no option "--circit": did you mean "--circuit"?',
        f"lampstep plan: no site file: name one, as in lampstep plan {USAGE} [--json]",
    ),
    f"{PLAN} --yes": (
        'lampstep plan: no option "--yes": known are "--circuit", "--scene", "--from", "--from-dark", '  # noqa: ISC004
        '"--after-cut", "--json", "--debug"',
    ),
    "plan LIDO --circ lap-pool --scene evening": (
        'lampstep plan: no option "--circ": did you mean "--circuit"?',
        'lampstep plan: "lap-pool" left over: put quotes around a name with spaces',
    ),
    # numbers
    f"rehearse LIDO {SCENE} --trials 0": (
        'lampstep rehearse: argument --trials: must be a whole number from 1 to 1000000, not "0"; '
        + HELP.format("rehearse"),
    ),
    f"rehearse LIDO {SCENE} --trials 1e3": (
        'lampstep rehearse: argument --trials: must be a whole number from 1 to 1000000, not "1e3"; '
        + HELP.format("rehearse"),
    ),
    f"rehearse LIDO {SCENE} --seed=-1": (
        'lampstep rehearse: argument --seed: must be a whole number from 0 to 9223372036854775807, not "-1"; '
        + HELP.format("rehearse"),
    ),
    "demo --speed nan": (
        'lampstep demo: argument --speed: must be a number from 0.1 to 1000, not "nan"; '
        + HELP.format("demo"),
    ),
}


@pytest.mark.parametrize("line", CASES)
def test_each_problem_is_a_line(
    line: str, run: Callable[[str], Any], with_paths: Callable[[str], str]
) -> None:
    said = run(line)
    assert (said.status, said.out) == (2, "")
    assert said.err.splitlines() == [with_paths(problem) for problem in CASES[line]]


@pytest.mark.parametrize("line", CASES)
def test_with_json_the_lines_are_its_errors(
    line: str, run: Callable[[str], Any], with_paths: Callable[[str], str]
) -> None:
    first, _, rest = line.partition(" ")
    said = run(f"{first} --json {rest}" if first not in {"", "--plain", "''"} else f"{line} --json")
    assert (said.status, said.err) == (2, "")
    problems = [with_paths(problem) for problem in CASES[line]]
    assert said.json == {"errors": problems}


def test_a_site_with_faults_tells_them_all_and_no_more(
    run: Callable[[str], Any], site: Callable[..., str]
) -> None:
    path = site("LIDO", ("margin_s = 0.03", "margin_s = -1"), ('region = "nec"', 'region = "moon"'))
    for command in ("check", "plan", "play", "rehearse"):
        said = run(f"{command} {path}")
        assert (said.status, said.out) == (2, "")
        assert [line.partition(" (")[0].partition("site.toml: ")[2] for line in said.err.splitlines()] == [
            '[site] region must be "nec" or "iec", not "moon"',
            "[timing] margin_s must be at least 0, not -1",
        ]


def test_a_name_that_the_terminal_cannot_show_is_told_all_the_same(run: Callable[[str], Any]) -> None:
    said = run("check 'lido\udcff\x1b[2J.toml'")
    assert said.status == 2
    assert said.err.startswith("lido\\udcff\\x1b[2J.toml: no such file")


WORDS = st.sampled_from(
    [
        *("check", "plan", "play", "rehearse", "LIDO", "CORNER", "--circuit", "twins", "--scene", "evening"),
        *("--from", "left=slate", "--from-dark", "--after-cut", "--trials", "--seed", "2", "--vcd", "--yes"),
        *("--json", "--debug", "--help", "--version", "=", "--", "-", "-1", "--x=y", "", "lap-pool"),
        *("north steps=fern", "\x1b[2J", "\n", "\udcff", "/dev/null", ".", "é"),
    ]
)


@given(st.lists(WORDS | st.text(max_size=6), max_size=7))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_words_end_in_a_traceback(
    with_paths: Callable[[str], str], capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    """Anything typed is answered, refused, or told to be wrong in as many lines as there are problems."""
    if "play" in words[:1]:
        words = [*words, "--no-such-option"]  # a train would take its time
    status = main([with_paths(word) for word in words])
    said = capsys.readouterr()
    assert status in {0, 1, 2}
    assert bool(said.err) == (status == 2 and "--json" not in words)
    assert all(line.isprintable() for line in said.err.split("\n"))
    assert bool(said.out) == (status != 2 or "--json" in words)
