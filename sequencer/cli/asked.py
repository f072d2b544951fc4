"""From arguments to a request for the planner, with every name checked against the site."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from typing import NamedTuple

from sequencer.cli.arguments import Arguments
from sequencer.errors import InputError
from sequencer.planner import PlanRequest, request_for
from sequencer.sitefile import Circuit, Pad, load_site
from sequencer.tomlfile import quoted


class Asked(NamedTuple):
    """What a command is to do; the names are the site's own."""

    pad: Pad
    circuit: str
    scene: str
    known: tuple[tuple[str, str], ...]
    request: PlanRequest

    @property
    def hung(self) -> Circuit:
        """The circuit itself."""
        return self.pad.circuit(self.circuit)

    def command(self, word: str, *more: str, same_start: bool = True) -> str:
        """The same question put to another command, as it is typed; ``same_start``: with what is known."""
        words = ["lampstep", word, str(self.pad.path), "--circuit", self.circuit, "--scene", self.scene]
        if same_start:
            for lamp, scene in self.known:
                words += ["--from", f"{lamp}={scene}"]
            words += {"rest": [], "dark": ["--from-dark"], "cut": ["--after-cut"]}[self.request.start]
        return shlex.join([*words, *more])


def ask(arguments: Arguments) -> Asked:
    """Read the site and make the request.

    :raises InputError: with one line a problem, of the files first, then of the names.
    """
    pad = load_site(arguments.site)
    problems: list[str] = []
    circuit = circuit_named(pad, arguments.circuit, problems)
    scene = named("--scene", arguments.scene, [s.name for s in pad.scenes], pad.scene, problems)
    if problems:
        raise InputError(problems)
    request = request_for(pad, circuit, scene, dict(arguments.known), arguments.start)
    return Asked(pad, circuit, scene, arguments.known, request)


def circuit_named(pad: Pad, name: str | None, problems: list[str]) -> str:
    """The circuit of that name, or the only one; what is wrong is added to ``problems``."""
    known = [circuit.name for circuit in pad.circuits]
    if name is None and len(known) == 1:
        return known[0]
    return named("--circuit", name, known, pad.circuit, problems)


def named(
    option: str, name: str | None, known: list[str], find: Callable[[str], object], problems: list[str]
) -> str:
    """The name given with an option, once ``find`` has found it; what is wrong is added to ``problems``."""
    if name is None:
        problems.append(f"{option} is missing: the site has {', '.join(map(quoted, known)) or 'none'}")
        return ""
    try:
        find(name)
    except InputError as error:
        problems += error.problems
    return name
