"""One lamp, written from the description alone: every way in which it may read a train.

It shares nothing with the automaton: lengths are what the lamp's own clock may make of them, from and to, and each
is held against the datasheet's own windows.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.datasheet import Datasheet
from sequencer.planner import PlanRequest
from sequencer.train import Train

ROUNDING_S = 1e-10  # trains are whole nanoseconds, sums of floats not quite


class Reading(NamedTuple):
    """Scene, pulses counted, at rest (step lamps), and when the last break that it noticed ended (s; None: long ago).

    ``first``: the reading before that break, and when the break began.
    """

    scene: int
    count: int
    resting: bool
    since: float | None
    first: tuple[Reading, float] | None


class PlainLamp:
    """All readings of one type of lamp; each length may be ``pad_s`` off, and its clock as far as it may err."""

    def __init__(self, sheet: Datasheet, pad_s: float) -> None:
        self.sheet = sheet
        self.counts = sheet.lamp.selects_by == "count"
        self.codes = sorted(scene.code for scene in sheet.scenes)
        self.pad_s = pad_s - ROUNDING_S

    def rests(self, start: str, known: int | None) -> set[Reading]:
        scenes = set(self.codes) if known is None else {known}
        if start == "dark":
            scenes = {self._woken(scene) for scene in scenes}
        return {Reading(scene, 0, not self.counts, None, None) for scene in scenes}

    def ends(self, train: Train, readings: set[Reading]) -> set[tuple[int, int]] | None:
        """Scene and count at the end; None where it may have missed the last supply, or may still be counting."""
        at = 0.0
        for pulse in train.pulses:
            readings = {after for r in readings for after in self._break(r, at, at + pulse.off_s)}
            at += pulse.off_s + pulse.on_s
        final = set()
        for r in readings:
            least, _ = self._supply(r, at)
            if self._may_miss(r, at):
                return None
            if r.count and self.sheet.on.settled is not None and least < self.sheet.on.settled[0]:
                return None
            final |= {(scene, 0) for scene in self._chosen(r.scene, r.count)}
        return final

    def _seen(self, length_s: float) -> tuple[float, float]:
        t = self.sheet.lamp.clock_tolerance
        return max(length_s - self.pad_s, 0.0) * (1 - t), (length_s + self.pad_s) * (1 + t)

    def _supply(self, r: Reading, until: float) -> tuple[float, float]:
        return (float("inf"),) * 2 if r.since is None else self._seen(until - r.since)

    def _may_miss(self, r: Reading, until: float) -> bool:
        """Whether the supply since the last break it noticed may pass unnoticed, or be none at all."""
        if r.since is None:
            return False
        return self._supply(r, until)[0] < self.sheet.noticed[0] or until - r.since < self.pad_s

    def _break(self, r: Reading, opened: float, closed: float) -> Iterator[Reading]:
        for effect, sure in self._effects(closed - opened):
            if effect == "ignored":
                yield r
            else:
                yield from self._noticed(r, opened, closed, effect, sure=sure)
        if r.first is not None and self._may_miss(r, opened):
            before, began = r.first
            for effect, sure in self._effects(closed - began):
                if effect == "ignored":
                    yield before
                else:
                    yield from self._noticed(before, began, closed, effect, sure=sure)

    def _effects(self, length_s: float) -> list[tuple[str, bool]]:
        off = self.sheet.off
        named = [
            ("ignored", off.ignored),
            ("pulse", off.pulse),
            ("reset", off.reset),
            ("power_down", off.power_down),
        ]
        windows = [(name, window) for name, window in named if window is not None]
        least, most = self._seen(length_s)
        found = []
        for i, (name, _) in enumerate(windows):
            after = i == 0 or most > windows[i - 1][1][1]
            before = i + 1 == len(windows) or least < windows[i + 1][1][0]
            before |= i == 0 and length_s < self.pad_s  # it may be no break at all
            if after and before:
                found.append(name)
        return [(name, len(found) == 1) for name in found]

    def _noticed(self, r: Reading, opened: float, closed: float, effect: str, *, sure: bool) -> set[Reading]:
        """After a break that it notices, which sets its supply timer to 0."""
        least, most = self._supply(r, opened)
        states: set[tuple[int, int, bool]] = set()
        if effect == "reset":
            states = {(self.codes[0], 0, True)}
        elif effect == "power_down":
            kept = {r.scene} if r.count == 0 or self._may_go_on(least) else set()
            kept |= set(self._chosen(r.scene, r.count))
            states = {(self._woken(scene), 0, True) for scene in kept}
        elif not self.counts:
            on = self.codes[(self.codes.index(r.scene) + 1) % len(self.codes)]
            needs = self.sheet.warm_up[0] if r.resting else self.sheet.on.same_train[0]
            if least >= needs:
                states = {(on, 0, False)} | ({(on, 0, True)} if r.resting and not sure else set())
            else:
                states = {(r.scene, 0, r.resting), (on, 0, r.resting)}
        else:
            idle = [(r.scene)] if r.count == 0 else []
            if r.count:
                if self._may_go_on(least):
                    states.add((r.scene, self._one_more(r.count), False))
                    if least < self.sheet.on.same_train[0]:
                        states.add((r.scene, r.count, False))
                if most > self.sheet.on.same_train[1]:
                    idle = self._chosen(r.scene, r.count)
            for scene in idle:
                states.add((scene, 1, False))
                if least < self.sheet.warm_up[0]:
                    states.add((scene, 0, False))
        first = (r, opened)
        return {Reading(s, n, rests and not self.counts, closed, first) for s, n, rests in states}

    def _may_go_on(self, least: float) -> bool:
        """Whether a train may go on after supply of at least so much."""
        return self.sheet.on.settled is None or least < self.sheet.on.settled[0]

    def _one_more(self, count: int) -> int:
        top = self.codes[-1]
        if self.sheet.lamp.overflow == "wraps":
            return count % top + 1
        return min(count + 1, top + 1)

    def _chosen(self, scene: int, count: int) -> list[int]:
        if count == 0:
            return [scene]
        if count in self.codes:
            return [count]
        return [scene] if self.sheet.lamp.overflow == "ignored" else self.codes

    def _woken(self, scene: int) -> int:
        kind = self.sheet.lamp.after_power_down
        if kind == "next":
            return self.codes[(self.codes.index(scene) + 1) % len(self.codes)]
        return self.codes[0] if kind == "first" else scene


def may_end_elsewhere(request: PlanRequest, train: Train) -> list[str]:
    """The lamps that this train does not certainly bring to their scene."""
    return [
        lamp.lamp
        for lamp in request.lamps
        if (plain := PlainLamp(lamp.datasheet, request.pad_s)).ends(
            train, plain.rests(request.start, lamp.known)
        )
        != {(lamp.wanted, 0)}
    ]
