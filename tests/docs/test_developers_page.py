"""DEVELOPERS.md and pyproject.toml name what is there: the functions on the paths, the layers, every module."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
STEPS = re.findall(r"^\|.*\|.*\|.*\]\(sequencer.*\|$", TEXT, re.MULTILINE)


@pytest.mark.parametrize("row", STEPS, ids=lambda row: row.split("|")[1].strip())
def test_a_step_of_a_path(row: str) -> None:
    named, linked = row.split("|")[2], re.findall(r"\]\(([^)]+)\)", row)
    source = "".join(
        file.read_text(encoding="utf-8")
        for place in linked
        for file in (sorted((ROOT / place).rglob("*.py")) if place.endswith("/") else [ROOT / place])
    )
    for words in re.findall(r"`([^`]+)`", named):
        name = words.split("(")[0].split(".")[-1]
        assert re.search(rf"\b{name}\b", source), f"{name} is not in {linked}"


def contracts() -> dict[str, dict[str, list[str]]]:
    """Those of pyproject.toml, by id."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return {each["id"]: each for each in settings["tool"]["importlinter"]["contracts"]}


def test_gpiozero_is_forbidden_to_every_module_but_the_two_drivers_of_pins() -> None:
    named = set(contracts()["gpiozero"]["source_modules"])
    modules = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in (ROOT / "sequencer").rglob("*.py")
        if path.name != "__init__.py"
    }
    free = {module for module in modules if not any(f"{module}.".startswith(f"{name}.") for name in named)}
    assert free == {"sequencer.relay.gpio", "sequencer.inputs.gpio"}


def test_the_layers_are_those_that_are_held() -> None:
    held = contracts()["layers"]["layers"]
    rows = re.compile(r"^\| (`.*?) \|", re.MULTILINE)
    table = TEXT.partition("\n## Layers\n")[2].partition("\n## ")[0]
    shown = [re.findall(r"`([a-z]+)`", row) for row in rows.findall(table)]
    flat = [name for layer in shown for name in layer]
    assert sorted(flat) == sorted(name for layer in held for name in layer.split(" | ") if name != "__main__")
    places = {name: n for n, layer in enumerate(held) for name in layer.split(" | ")}
    assert [places[name] for name in flat] == sorted(places[name] for name in flat)
