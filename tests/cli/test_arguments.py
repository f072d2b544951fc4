"""What is typed in any order means the same."""

from __future__ import annotations

import pytest

from sequencer.cli.arguments import parse
from sequencer.errors import InputError


@pytest.mark.parametrize(
    "line",
    [
        "touch SITE --circuit lap-pool switch=off sense=on",
        "touch --circuit lap-pool SITE switch=off sense=on",
        "touch SITE switch=off --circuit lap-pool sense=on",
    ],
)
def test_options_may_stand_between_the_words(line: str) -> None:
    found = parse(line.split())
    assert (found.site, found.circuit) == ("SITE", "lap-pool")
    assert list(found.seen) == [("switch", "off"), ("sense", "on")]


@pytest.mark.parametrize("word", ["switch", "switch=", "=on"])
def test_touch_speaks_of_its_own_words(word: str) -> None:
    with pytest.raises(InputError) as found:
        parse(["touch", "SITE", word])
    (problem,) = found.value.problems
    assert f'must be INPUT=on or INPUT=off, not "{word}"' in problem
    assert "LAMP=SCENE" not in problem


@pytest.mark.parametrize("name", ["plan", "play", "rehearse", "diagnose", "resync", "touch", "sense"])
def test_the_help_says_when_circuit_may_be_left_out(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        parse([name, "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert "a circuit of the site; may be left out where the site has only one" in told
