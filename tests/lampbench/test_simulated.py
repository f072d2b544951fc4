"""The stand in virtual time: what it promises to those who build on it."""

from pathlib import Path
from random import Random

import pytest

from sequencer.bench.colours import mean_colour
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.errors import HardwareError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Delays, Pulse, Train

LAMPS = Path(__file__).parents[2] / "config" / "lamps"
SHARP = EyesThatErr(noise=0.0, period_error=0.0)
EXACT = Delays((0.008, 0.008), (0.005, 0.005))


def a_stand(stem: str = "type-a", scene: int = 1, eyes: EyesThatErr = SHARP, seed: int = 1) -> SimStand:
    lamp = SimLamp(load_datasheet(LAMPS / f"{stem}.toml"), Nature(), scene=scene)
    return SimStand(lamp, delays=EXACT, eyes=eyes, seed=seed)


def colour(sheet: Datasheet, code: int) -> str:
    scene = sheet.scene_by_code(code)
    assert scene is not None
    return mean_colour(scene)


@pytest.mark.parametrize("code", range(1, 7))
def test_a_count_sent_is_the_scene_seen(code: int) -> None:
    stand = a_stand()
    pulses = [Pulse(0.3, 0.5)] * (code - 1) + [Pulse(0.3, 4.0)]
    stand.send(Train(tuple(pulses), lead_in_s=5.0))
    assert stand.look().colour == colour(stand.datasheet, code)
    assert stand.spent.relay_cycles == code
    assert stand.spent.seconds == pytest.approx(5.0 + 0.8 * (code - 1) + 4.3 + 0.5)


def test_lengths_follow_each_other_without_a_gap() -> None:
    # The contact as it moved, against what was asked: the delays are equal in each direction, so exactly.
    stand = a_stand()
    stand.supply(2.0)
    for off_s, on_s in ((0.1, 0.25), (0.5, 1.0)):
        stand.dark(off_s)
        stand.supply(on_s)
    edges = [at for at, _ in stand._contact.edges]
    assert [round(b - a, 9) for a, b in zip(edges, edges[1:], strict=False)] == [0.1, 0.25, 0.5]


def test_a_moving_scene_has_a_period_and_takes_its_time() -> None:
    stand = a_stand(scene=7)
    stand.supply(1.0)
    seen = stand.look()
    assert seen.period_s == 24.0
    assert stand.spent.seconds == 1.0 + 0.5 + 2 * 24.0


def test_a_dark_lamp_is_seen_as_dark() -> None:
    sheet = load_datasheet(LAMPS / "type-a.toml")
    stand = SimStand(SimLamp(sheet, Nature(), scene=1), eyes=SHARP)
    stand._contact.set(False)
    stand.supply(1.0)
    assert stand.look().colour is None


def test_noise_and_lapses_come_as_often_as_said() -> None:
    stand = a_stand(scene=3, eyes=EyesThatErr(noise=0.0, lapse=0.2, still_s=0.01, rounds=0.0))
    stand.supply(1.0)
    right = sum(stand.look().colour == "#4f7d2c" for _ in range(2000))
    # A lapse may happen to name the right scene: 1 - 0.2 * 6/7; five standard deviations either way.
    assert right / 2000 == pytest.approx(1 - 0.2 * 6 / 7, abs=0.045)


def test_one_seed_one_run() -> None:
    def seen(seed: int) -> list[str | None]:
        stand = a_stand(eyes=EyesThatErr(noise=4.0), seed=seed)
        stand.supply(1.0)
        return [stand.look().colour for _ in range(5)]

    assert seen(1) == seen(1) != seen(2)


def test_a_supply_that_can_be_set_moves_the_ride_through() -> None:
    """At more volts the capacitor carries it further; hold_up_s is checked in tests/sim."""
    sheet = load_datasheet(LAMPS / "type-a.toml")
    counted = {}
    for volts in (11.0, 15.0):
        lamp = SimLamp(sheet, Nature(), scene=6)  # 30 W: 20 ms at 11 V, 44 ms at 15 V
        stand = SimStand(lamp, delays=EXACT, eyes=SHARP, volts_range=(8.0, 16.0))
        stand.volts(volts)
        stand.supply(5.0)
        stand.dark(0.03)
        stand.supply(0.1)
        counted[volts] = lamp.pending(stand._clock.now())
    assert counted == {11.0: 1, 15.0: 0}
    with pytest.raises(HardwareError, match=r"20\.0 V is not within 8\.0-16\.0 V"):
        stand.volts(20.0)
    with pytest.raises(HardwareError, match="fixed"):
        a_stand().volts(12.0)


def test_a_thousand_presentations_stay_in_order() -> None:
    stand = SimStand(
        SimLamp(load_datasheet(LAMPS / "type-b.toml"), Nature.steady(Random(3)), scene=1), eyes=SHARP, seed=3
    )
    for _ in range(1000):
        stand.supply(6.0)
        stand.dark(0.6)
        stand.supply(3.0)
        assert stand.look().colour == "#13485e"
    assert stand.spent.relay_cycles == 1000
