"""Diagnoses of cases put together by hand: what must come first, and what must be told as one."""

from __future__ import annotations

from pathlib import Path

from sequencer.diagnosis.acts import information, next_act
from sequencer.diagnosis.causes import Case, Look
from sequencer.diagnosis.explain import Diagnosis, Explanation, diagnose
from sequencer.sitefile import load_site
from sequencer.supply.feed import feed_of
from sequencer.train import Pulse, Train

CONFIG = Path(__file__).parents[2] / "config"
LIDO = load_site(CONFIG / "quarry-lane.toml")
LONG = load_site(Path(__file__).parent / "sites" / "long-run.toml")
THREE = Train((Pulse(0.2, 0.3), Pulse(0.2, 0.3), Pulse(0.2, 5.0)))
FIVE = Train((*(Pulse(0.2, 0.3),) * 4, Pulse(0.2, 5.0)))
LAMPS = ("one", "two", "three", "four", "five")


def on_the_long_run(
    *saw: dict[str, str | None], measured: dict[str, float] | None = None, supply: bool = True
) -> Diagnosis:
    """Moss (3 pulses), then heather (5): what lamps showed that was not that."""
    looks, starts = [], {}
    for train, scene, wrong in zip((THREE, FIVE), ("moss", "heather"), saw, strict=False):
        sent = dict.fromkeys(LAMPS, scene)
        seen: dict[str, str | None] = {**sent, **wrong}
        looks.append(Look(train, sent, seen, dict(starts)))
        starts = seen
    feed = feed_of(LONG, "long-run") if supply else None
    return diagnose(Case(dict.fromkeys(LAMPS, "type-a"), LONG.datasheets, tuple(looks), measured or {}, feed))


def kinds(diagnosis: Diagnosis, place: int = 0) -> list[tuple[str, str]]:
    return [
        (cause.kind, cause.where) for group in diagnosis.explanations[place].groups for cause in group.causes
    ]


def test_probabilities_sum_to_one_and_fall() -> None:
    found = on_the_long_run({"four": "slate"})
    told = [each.probability for each in found.explanations]
    assert abs(sum(told) - 1) < 1e-9
    assert told == sorted(told, reverse=True)


def test_all_as_sent_is_nothing() -> None:
    assert kinds(on_the_long_run({}))[0] == ("nothing", "")


def test_one_lamp_that_missed_a_pulse_is_its_own_cord() -> None:
    found = on_the_long_run({"four": "slate"}, {"four": "sandstone"})
    assert set(kinds(found)) == {("cord", "four")}
    assert found.first.missed == {"four": 1}


def test_lamps_down_one_run_point_at_the_run_and_not_at_bad_lamps() -> None:
    found = on_the_long_run({"three": "slate", "four": "slate", "five": "millpond"})
    assert {kinds(found, 0)[0], kinds(found, 1)[0]} == {("run", "far box"), ("tap", "12 V")}


def test_volts_at_the_near_lamp_say_that_it_is_the_run_and_not_the_tap() -> None:
    far = {"three": "slate", "four": "slate", "five": "millpond"}
    assert kinds(on_the_long_run(far, measured={"one": 12.9})) == [("run", "far box")]
    assert kinds(on_the_long_run(far, measured={"one": 11.8})) == [("tap", "12 V")]


def test_lamps_on_either_run_point_at_the_tap_or_at_the_run_to_them_all() -> None:
    lamps = {"one": "slate", "two": "slate", "three": "millpond", "four": "slate", "five": "millpond"}
    found = on_the_long_run(lamps)
    assert {kinds(found, place)[0][0] for place in range(2)} == {"tap", "run"}
    assert ("run", "near box") in {kinds(found, place)[0] for place in range(2)}


def test_all_one_too_many_were_counting_already_or_counted_a_bounce() -> None:
    found = on_the_long_run(dict.fromkeys(LAMPS, "sandstone"))
    assert {kinds(found, 0)[0][0], kinds(found, 1)[0][0]} == {"start", "bounce"}


def test_a_dark_lamp_is_dead_until_its_volts_say_otherwise() -> None:
    assert kinds(on_the_long_run({"two": None}))[0] == ("dead", "two")
    assert kinds(on_the_long_run({"two": None}, measured={"two": 0.0, "one": 12.8}))[0] == ("cord", "two")


def test_what_cannot_be_told_apart_is_one_group() -> None:
    """All breaks are of one length: a lamp that rides through them all looks like one that is stuck."""
    found = on_the_long_run({"four": "slate"}, {"four": "slate"})
    assert {("stuck", "four"), ("ride_through", "four")} <= set(kinds(found))
    assert len(found.first.groups) == 1


def test_volts_part_a_stuck_lamp_from_a_bad_cord() -> None:
    found = on_the_long_run({"four": "slate"}, {"four": "slate"}, measured={"four": 11.1, "three": 12.4})
    assert kinds(found)[0] == ("cord", "four")
    assert ("stuck", "four") not in kinds(found)


def test_two_dead_lamps_are_two_causes() -> None:
    found = on_the_long_run({"one": None, "five": None}, supply=False)
    assert [group.lamp for group in found.first.groups] == ["one", "five"]
    assert {kind for kind, _ in kinds(found)} == {"dead", "cord"}


def test_a_scene_that_only_another_type_has_is_that_type() -> None:
    lamps = {"ladder": "type-b", "ledge": "type-b", "spout": "type-b"}
    train = Train((Pulse(0.3, 0.4), Pulse(0.3, 3.0)))
    sent = dict.fromkeys(lamps, "reed bed")
    look = Look(train, sent, {**sent, "spout": "slate"})
    found = diagnose(Case(lamps, LIDO.datasheets, (look,)))
    assert found.first.groups[0].causes[0].other == "type-a"
    assert kinds(found)[0] == ("other_type", "spout")


def test_what_nothing_explains_is_said() -> None:
    """Five lamps on scenes that no one or two causes would give them, their volts as they should be."""
    wild = {
        "one": "hoarfrost",
        "two": "passing shower",
        "three": None,
        "four": "heather",
        "five": "sandstone",
    }
    again = {"one": "millpond", "two": None, "three": "moss", "four": "hoarfrost", "five": "slate"}
    found = on_the_long_run(wild, again, measured=dict.fromkeys(LAMPS, 12.9))
    assert not found.explained


def test_a_lamp_that_nobody_looked_at_is_not_accused() -> None:
    found = on_the_long_run({"four": "slate"})
    case = found.reader.case
    look = case.looks[0]
    saw = {lamp: shown for lamp, shown in look.saw.items() if lamp != "two"}
    without = diagnose(case._replace(looks=(look._replace(saw=saw),)))
    assert "two" not in {
        cause.lamp for each in without.explanations for group in each.groups for cause in group.causes
    }


def test_the_meter_parts_a_stuck_lamp_from_one_without_volts() -> None:
    found = on_the_long_run({"four": "slate"}, {"four": "slate"}, measured={})
    one = found.first
    alone = {
        kind: replace_groups(one, kind) for kind in ("stuck", "cord") if kind in {k for k, _ in kinds(found)}
    }
    assert set(alone) == {"stuck", "cord"}
    following = next_act(found, {}, alone["stuck"], alone["cord"])
    assert following is not None
    assert (following.act.doing, following.act.lamp) == ("measure", "four")
    assert (following.first, following.second) == ("enough", "too few")


def replace_groups(explanation: Explanation, kind: str) -> Explanation:
    """One cause of a group by itself."""
    group = explanation.groups[0]
    only = tuple(cause for cause in group.causes if cause.kind == kind)[:1]
    return explanation._replace(groups=(group._replace(causes=only),), probability=0.5)


def test_information_of_shannon() -> None:
    """A channel that errs in one of ten tells 1 - h(0.1) = 0.531 bit (binary symmetric channel, a textbook value)."""
    told = information((0.5, 0.5), ({"a": 0.9, "b": 0.1}, {"a": 0.1, "b": 0.9}))
    assert abs(told - 0.531) < 5e-4
