"""What can be asked through the local socket, and the answers.

=============  ==============================  ====================================================
``do``         with                            what it does
=============  ==============================  ====================================================
``status``                                     what each circuit shows, what is known of it, and why
``ask``        ``circuit``, ``scene``          a person wants a scene, and a full train to it
``resync``     ``circuit``                     a full train to what is wanted
``steady``     ``circuit`` or none             plain light, until taken back
``take back``  ``circuit`` or none             what was chosen, asked for and made steady counts no more
``tell``       ``circuit``, ``lamp``, ``code`` a person sees what the lamp shows
``replaced``   ``circuit``, ``lamp``           another lamp hangs there
``touch``      ``circuit``, ``line``,          a simulated input is moved
               ``active``
=============  ==============================  ====================================================
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from sequencer.core import events as on
from sequencer.core.state import LampRules
from sequencer.core.status import Status
from sequencer.daemon.loop import Daemon
from sequencer.errors import InputError
from sequencer.tomlfile import quoted

CHANGED = ": was the site file changed since the daemon started? Then restart the daemon"
"""The commands read the site file anew, the daemon only when it starts."""

Request = Mapping[str, Any]
Answer = dict[str, Any]
Touch = Callable[[str, str, bool], None]


class Calls:
    """Answers the questions of one pad. ``touch`` moves a simulated input, and raises InputError for others."""

    def __init__(self, now: Callable[[], float], touch: Touch) -> None:
        self._now = now
        self._touch = touch

    def __call__(self, daemon: Daemon, request: Request) -> Answer:
        """The answer; what is wrong with the question is an answer too."""
        answer = self._ANSWERS.get(str(request.get("do")))
        try:
            if answer is None:
                raise InputError(
                    f"the daemon knows nothing of {request.get('do')!r}: are both of one version?"
                )
            return answer(self, daemon, request)
        except InputError as error:
            return {"errors": list(error.problems)}
        except (KeyError, TypeError, ValueError) as error:
            return {"errors": [f"the question lacks something ({error!r}): are both of one version?"]}

    def _status(self, daemon: Daemon, _: Request) -> Answer:
        circuits = [status_fields(each) for each in daemon.statuses()]
        return {"pid": os.getpid(), "journal": daemon.trouble, "circuits": circuits}

    def _ask(self, daemon: Daemon, request: Request) -> Answer:
        circuit, scene = _circuit(daemon, request), str(request["scene"])
        state = daemon.states[circuit]
        if scene not in state.rules.wanted:
            raise InputError(f"{circuit}: some lamp has no scene for {scene}{CHANGED}")
        if state.rank == "off":
            raise InputError(f"{circuit}: the switch is off, which counts for more: switch it on first")
        if state.steady:
            raise InputError(
                f"{circuit}: plain light was asked for, which counts for more: take it back first, lampstep resume"
            )
        if state.hand is not None and state.hand.scene != scene:
            words = f"{state.hand.scene} was chosen at the pad, which counts for more: take it back first"
            raise InputError(f"{circuit}: {words}")
        daemon.take(circuit, on.Asked(self._now(), scene))
        daemon.take(circuit, on.ResyncAsked(self._now()))
        return self._status(daemon, request)

    def _resync(self, daemon: Daemon, request: Request) -> Answer:
        daemon.take(_circuit(daemon, request), on.ResyncAsked(self._now()))
        return self._status(daemon, request)

    def _steady(self, daemon: Daemon, request: Request) -> Answer:
        for circuit in _circuits(daemon, request):
            daemon.take(circuit, on.Steady(self._now()))
        return self._status(daemon, request)

    def _take_back(self, daemon: Daemon, request: Request) -> Answer:
        for circuit in _circuits(daemon, request):
            daemon.take(circuit, on.TakenBack(self._now()))
        return self._status(daemon, request)

    def _tell(self, daemon: Daemon, request: Request) -> Answer:
        circuit, code = _circuit(daemon, request), request["code"]
        lamp = _lamp(daemon, circuit, request)
        if code not in lamp.codes:
            raise InputError(f"{circuit}: {lamp.name}: the daemon knows no scene {code!r} of it{CHANGED}")
        daemon.take(circuit, on.Tick(self._now()))
        state = daemon.states[circuit]
        if not state.hears_of_lamps or request["at"] < state.settles_at:
            wait_s = max(1.0, min(state.settles_at - state.at, state.rules.settle_s))
            words = f"look again when the lamps have been lit and left alone for {wait_s:.0f} s, then tell"
            raise InputError(f"{circuit}: {words}")
        daemon.take(circuit, on.Told(float(request["at"]), lamp.name, int(code)))
        return self._status(daemon, request)

    def _replaced(self, daemon: Daemon, request: Request) -> Answer:
        circuit = _circuit(daemon, request)
        daemon.take(circuit, on.Replaced(self._now(), _lamp(daemon, circuit, request).name))
        return self._status(daemon, request)

    def _touched(self, daemon: Daemon, request: Request) -> Answer:
        self._touch(str(request["circuit"]), str(request["line"]), bool(request["active"]))
        return self._status(daemon, request)

    _ANSWERS: Mapping[str, Callable[[Calls, Daemon, Request], Answer]] = {
        "status": _status,
        "ask": _ask,
        "resync": _resync,
        "steady": _steady,
        "take back": _take_back,
        "tell": _tell,
        "replaced": _replaced,
        "touch": _touched,
    }


def status_fields(each: Status) -> Answer:
    """A status as plain values."""
    return {**each._asdict(), "lamps": [lamp._asdict() for lamp in each.lamps]}


def _circuits(daemon: Daemon, request: Request) -> Iterable[str]:
    return tuple(daemon.states) if request.get("circuit") is None else (_circuit(daemon, request),)


def _circuit(daemon: Daemon, request: Request) -> str:
    circuit = str(request["circuit"])
    if circuit not in daemon.states:
        raise InputError(f"the daemon knows no circuit {quoted(circuit)}{CHANGED}")
    return circuit


def _lamp(daemon: Daemon, circuit: str, request: Request) -> LampRules:
    name = str(request["lamp"])
    found = next((lamp for lamp in daemon.states[circuit].rules.lamps if lamp.name == name), None)
    if found is None:
        raise InputError(f"{circuit}: the daemon knows no lamp {quoted(name)}{CHANGED}")
    return found
