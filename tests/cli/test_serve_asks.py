"""``lampstep serve`` asks at a terminal, before the first train of a real relay; a service has nobody to ask."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[[str], Any]
CAUTIONS = [
    "one-way is about to flash.",
    "Flashing light can bring on a seizure: whoever may be prone to that looks away.",
    "Keep a light on that is not on this circuit, and follow your local code.",
]
QUESTION = "Is the water clear of people? Type yes to start: "


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The sites that came to be served."""
    sites: list[str] = []
    monkeypatch.setattr("sequencer.daemon.serve.serve", lambda pad: sites.append(pad.site.name))
    return sites


@pytest.fixture
def real(site: Callable[..., str]) -> str:
    path = Path(site("CORNER"))
    text = path.read_text(encoding="utf-8").replace('"simulated"', '"gpio"\npin = 17', 1)
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("typed", "status", "said"),
    [
        ("yes\n", 0, QUESTION),
        ("no\n", 130, f"{QUESTION}Not started. Clear the water first.\n"),
        ("", 130, f"{QUESTION}\nNot started. Clear the water first.\n"),
    ],
)
def test_at_a_terminal_it_asks(
    run: Run,
    real: str,
    served: list[str],
    monkeypatch: pytest.MonkeyPatch,
    typed: str,
    status: int,
    said: str,
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    found = run(f"serve {real}")
    assert found.status == status
    assert found.err == "\n".join([*CAUTIONS, said])
    assert len(served) == (status == 0)


def test_yes_is_taken_for_an_answer(
    run: Run, real: str, served: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(""))
    found = run(f"serve {real} --yes")
    assert (found.status, found.err) == (0, "\n".join([*CAUTIONS, ""]))
    assert len(served) == 1


@pytest.mark.parametrize("stdin", [io.StringIO(""), None])
def test_a_service_is_not_asked(
    run: Run, real: str, served: list[str], monkeypatch: pytest.MonkeyPatch, stdin: io.StringIO | None
) -> None:
    monkeypatch.setattr(sys, "stdin", stdin)
    found = run(f"serve {real}")
    assert (found.status, found.err) == (0, "")
    assert len(served) == 1


def test_simulated_relays_are_not_asked_for(
    run: Run, served: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(""))
    found = run("serve LIDO")
    assert (found.status, found.err) == (0, "")
    assert served == ["Quarry Lane lido"]
