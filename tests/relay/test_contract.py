"""What every driver must do, run over every driver."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockPin
from serial import Serial

from sequencer.errors import HardwareError, InputError
from sequencer.relay import Relay, open_relay
from sequencer.relay.registry import DRIVERS
from sequencer.relay.simulated import SimulatedRelay
from tests.relay.peers import LibmodbusBoard, PymodbusBoard, Wire, need_debian

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

PATIENT = (0.0, 10.0)
"""What a line may take where a test is not about time: a busy machine makes no failure."""

CASES: list[dict[str, Any]] = [
    {"driver": "simulated", "contact": "normally_closed"},
    {"driver": "simulated", "contact": "normally_open"},
    *(
        {"driver": "gpio", "pin": 17, "contact": contact, "active_high": active_high}
        for contact in ("normally_closed", "normally_open")
        for active_high in (True, False)
    ),
    *(
        {"driver": "modbus", "board": board, "contact": contact, "unit": 17, "coil": 3}
        for board in ("libmodbus", "pymodbus")
        for contact in ("normally_closed", "normally_open")
    ),
]
"""``board`` is no key of a site file: whose board hangs on the line."""
BOARDS: dict[str, Callable[[Path, int], Any]] = {"libmodbus": LibmodbusBoard, "pymodbus": PymodbusBoard}


def _param(case: dict[str, Any]) -> Any:
    marks = [pytest.mark.debian] if case["driver"] == "modbus" else []
    return pytest.param(case, id="-".join(str(value) for value in case.values()), marks=marks)


@pytest.fixture(params=[_param(case) for case in CASES])
def spec(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[dict[str, Any]]:
    case: dict[str, Any] = request.param
    if case["driver"] != "modbus":
        yield case
        return
    need_debian()
    with Wire(tmp_path) as wire, closing(BOARDS[case["board"]](wire.theirs, case["unit"])) as board:
        line = {"port": str(wire.ours), "baud": 9600, "parity": "none", "line_delay_s": PATIENT}
        yield {**case, **line, "board": board}


@pytest.fixture
def contact(spec: dict[str, Any]) -> Callable[[Relay], bool]:
    """Where the contact stands, seen from outside of the driver: by pin or board, not by ``read``."""

    def at_pin(relay: Relay) -> bool:
        coil_on = bool(gpiozero.Device.pin_factory.pin(spec["pin"]).state) == spec["active_high"]
        return coil_on != relay.rests_closed

    def at_moves(relay: Relay) -> bool:
        assert isinstance(relay, SimulatedRelay)
        return relay.moves[-1][1]

    def at_board(relay: Relay) -> bool:
        on: bool = spec["board"].coil(spec["coil"])
        return on != relay.rests_closed

    return {"gpio": at_pin, "modbus": at_board, "simulated": at_moves}[spec["driver"]]


@pytest.fixture
def jam(spec: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> Callable[[Relay, int], None]:
    """Let the hardware refuse the next ``times`` commands."""

    def refuse(relay: Relay, times: int) -> None:
        left = [times]
        before, send = MockPin._set_state, Serial.write

        def fault(*_: object) -> None:
            if left[0]:
                left[0] -= 1
                raise OSError("the line is down")

        def write(pin: MockPin, level: bool) -> None:
            fault()
            before(pin, level)

        def transmit(port: Serial, frame: bytes) -> Any:
            fault()
            return send(port, frame)

        if spec["driver"] == "gpio":
            monkeypatch.setattr(MockPin, "_set_state", write)
        elif spec["driver"] == "modbus":
            monkeypatch.setattr(Serial, "write", transmit)
        else:
            monkeypatch.setattr(relay, "_before", fault)

    return refuse


def test_every_driver_is_here() -> None:
    assert {case["driver"] for case in CASES} == set(DRIVERS)


def test_opens_at_rest(spec: dict[str, Any], contact: Callable[[Relay], bool]) -> None:
    with open_relay(spec) as relay:
        assert relay.rests_closed is (spec["contact"] == "normally_closed")
        assert relay.read() is relay.rests_closed
        assert contact(relay) is relay.rests_closed
        assert relay.notes == ()
        assert relay.waited_s == 0.0
        assert relay.line_delay_s == spec.get("line_delay_s", (0.0, 0.0))


def test_set_and_read_agree(spec: dict[str, Any], contact: Callable[[Relay], bool]) -> None:
    with open_relay(spec) as relay:
        for closed in (False, True, True, False, False, True):
            relay.set(closed)
            assert relay.read() is closed
            assert contact(relay) is closed


def test_rests_on_close_from_either_position(spec: dict[str, Any], contact: Callable[[Relay], bool]) -> None:
    for closed in (False, True):
        relay = open_relay(spec)
        relay.set(closed)
        relay.close()
        assert contact(relay) is relay.rests_closed


def test_rests_when_the_block_is_left_by_an_error(
    spec: dict[str, Any], contact: Callable[[Relay], bool]
) -> None:
    def leave() -> None:
        with relay:
            relay.set(not relay.rests_closed)
            raise RuntimeError

    relay = open_relay(spec)
    with pytest.raises(RuntimeError):
        leave()
    assert contact(relay) is relay.rests_closed


def test_close_again_does_nothing(spec: dict[str, Any]) -> None:
    relay = open_relay(spec)
    relay.close()
    with open_relay(spec) as other:  # the hardware was let go
        other.set(not other.rests_closed)
        relay.close()
        assert other.read() is not other.rests_closed


def test_shut_is_shut(spec: dict[str, Any]) -> None:
    relay = open_relay(spec)
    relay.close()
    with pytest.raises(HardwareError, match="already closed"):
        relay.set(True)
    with pytest.raises(HardwareError, match="already closed"):
        relay.read()


def test_a_refused_command_is_said_and_close_still_rests(
    spec: dict[str, Any], contact: Callable[[Relay], bool], jam: Callable[[Relay, int], None]
) -> None:
    relay = open_relay(spec)
    relay.set(not relay.rests_closed)
    jam(relay, 1)
    with pytest.raises(HardwareError, match="the line is down"):
        relay.set(relay.rests_closed)
    relay.close()
    assert contact(relay) is relay.rests_closed


@pytest.mark.parametrize("position", ["closed", None, 1])
def test_contact_in_other_words(spec: dict[str, Any], position: object) -> None:
    with pytest.raises(InputError, match=r'contact is .*; write "normally_closed" or "normally_open"'):
        open_relay({**spec, "contact": position})


@pytest.mark.parametrize("driver", ["smoke signal", None, 3])
def test_no_such_driver(driver: object) -> None:
    with pytest.raises(InputError, match='not in this version; it has "gpio", "modbus", "simulated"'):
        open_relay({"driver": driver, "contact": "normally_closed"})
