"""A calibration that is stopped anywhere, as often as one likes, ends as if it had not been stopped.

The rig here is a model: it knows what hangs and how often the arm was mounted, and whether the load ever
turned back inside a series, which no reading shows.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import pytest
from hungweights import arm, masses
from hypothesis import given, settings
from hypothesis import strategies as st
from workshop import fixed_id

from anviltrace.calibration.course import FULL, SECOND_ARM, SHORT, open_series
from anviltrace.calibration.instructions import (
    Answer,
    Clear,
    Drop,
    FitArm,
    Hang,
    Instruction,
    Keep,
    Meanwhile,
    Read,
    Reading,
    Remount,
    Restore,
    Unhang,
    Void,
    Wish,
)
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.ladder import Manner, Preload, one_more_each_time
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import Setup, dead_weights, outline_of
from anviltrace.records import LoadStep

HUNG = masses()[:4]
LADDER = one_more_each_time(HUNG)
PER_KG = 15_000.0
STOPS = list(Meanwhile)


def setup(name: str, mountings: int = 3) -> Setup:
    lever = arm()
    return Setup(
        lever=Lever(lever, Site(9.81, 0.0, "stated")),
        arm=lever,
        sign=1,
        ladder=LADDER,
        outline=outline_of(LADDER, name, mountings),
        preload=Preload(count=1),
        manner=Manner(mountings=mountings, preloads=2),
    )


@dataclass
class Rig:
    """Follows instructions, and keeps readings as the archive would."""

    hanging: dict[str, float] = field(default_factory=dict)
    mounted: int = 0
    loads_since_zero: list[float] = field(default_factory=list)
    taken: list[LoadStep] = field(default_factory=list)
    discarded: set[str] = field(default_factory=set)
    physical: dict[str, int] = field(default_factory=dict)
    paths: dict[str, tuple[float, ...]] = field(default_factory=dict)
    last_counts: float = 0.0

    @property
    def kept(self) -> list[LoadStep]:
        return [step for step in self.taken if step.id not in self.discarded]

    def follow(self, step: Instruction) -> Answer:
        match step:
            case FitArm():
                self._to({})
                self.mounted += 1
            case Remount():
                assert not self.hanging, "the arm is fitted with weights on it"
                self.mounted += 1
            case Hang():
                self._to(self.hanging | {mass.id: mass.mass_kg for mass in step.masses})
                assert sum(self.hanging.values()) == pytest.approx(step.total_kg)
            case Unhang():
                gone = {mass.id for mass in step.masses}
                assert gone <= set(self.hanging), "what does not hang is to be taken off"
                self._to({key: kg for key, kg in self.hanging.items() if key not in gone})
                assert sum(self.hanging.values()) == pytest.approx(step.total_kg)
            case Restore():
                self._to({mass.id: mass.mass_kg for mass in step.masses})
            case Clear():
                self._to({})
            case Read():
                return self._read(step)
            case Keep():
                self._keep(step.asked)
            case Drop():
                self.discarded.add(self.kept[-1].id)
            case Void():
                self.discarded |= {one.id for one in self.kept if one.series in step.series}
        return None

    def stop(self, meanwhile: Meanwhile) -> None:
        """What becomes of the rig while nobody follows."""
        if meanwhile is not Meanwhile.UNTOUCHED:
            self._to({})

    def _to(self, hanging: dict[str, float]) -> None:
        self.hanging = hanging
        self.loads_since_zero.append(sum(hanging.values()))

    def _read(self, step: Read) -> Reading:
        assert self.mounted, "nothing is mounted"
        wanted = {mass.id for mass in step.load.masses}
        assert wanted == set(self.hanging), f"reading {step.number} with the wrong weights"
        if step.branch == "zero" and not self._inside(step.series):
            self.loads_since_zero = [0.0]
        self.last_counts = 100.0 + PER_KG * sum(self.hanging.values())
        return Reading(self.last_counts)

    def _inside(self, series: int) -> bool:
        return any(step.series == series for step in self.kept)

    def _keep(self, asked: Read) -> None:
        number = len(self.taken) + 1
        step = LoadStep(fixed_id(number), fixed_id(0), number, asked.series, asked.mounting, asked.branch,
                        fixed_id(number), tuple(mass.id for mass in asked.load.masses), asked.angle_deg,
                        self.last_counts, 1.0, 0.0, 100, "2026-05-04T09:00:00.000Z")  # fmt: skip
        self.taken.append(step)
        self.physical[step.id] = self.mounted
        self.paths[step.id] = tuple(self.loads_since_zero)


def carry_on(rig: Rig, how: Setup, meanwhile: Meanwhile, until: int | None = None) -> bool:
    """Follow up to ``until`` instructions; True when the course came to its end."""
    course, answer = dead_weights(how, rig.kept, meanwhile), None
    count = 0
    while until is None or count < until:
        try:
            step = course.send(answer)
        except StopIteration:
            return True
        answer = rig.follow(step)
        count += 1
    course.close()
    return False


def assert_whole(rig: Rig, how: Setup) -> None:
    """The kept readings are those of the course, in its order, each taken as it should be."""
    planned = [
        (
            series.number,
            series.mounting,
            place.branch,
            () if place.load is None else how.outline.loads[place.load],
        )
        for series in how.outline.series
        for place in series.places
    ]
    assert [(one.series, one.mounting, one.branch, one.mass_ids) for one in rig.kept] == planned
    assert open_series(how.outline, rig.kept) is None
    together = {(step.mounting, rig.physical[step.id]) for step in rig.kept}
    assert len(together) == how.outline.mountings == len({physical for _, physical in together})
    for series in how.outline.series:
        last = [step for step in rig.kept if step.series == series.number][-1]
        assert_never_turned_back(rig.paths[last.id])


def assert_never_turned_back(path: tuple[float, ...]) -> None:
    """Up to the highest load, then down."""
    top = path.index(max(path))
    assert list(path[: top + 1]) == sorted(path[: top + 1])
    assert list(path[top:]) == sorted(path[top:], reverse=True)


@pytest.mark.parametrize("name", [SHORT, FULL, SECOND_ARM])
def test_without_a_stop(name: str) -> None:
    rig, how = Rig(), setup(name)
    assert carry_on(rig, how, Meanwhile.UNTOUCHED)
    assert_whole(rig, how)
    assert not rig.discarded


@pytest.mark.parametrize("meanwhile", STOPS)
@pytest.mark.parametrize("name", [SHORT, FULL, SECOND_ARM])
def test_stopped_at_every_point(name: str, meanwhile: Meanwhile) -> None:
    how, until, ended = setup(name), 0, False
    while not ended:
        rig = Rig()
        ended = carry_on(rig, how, Meanwhile.UNTOUCHED, until)
        before = list(rig.kept)
        rig.stop(meanwhile)
        carry_on(rig, how, meanwhile)
        assert_whole(rig, how)
        assert len(rig.taken) >= len(before)
        if meanwhile is Meanwhile.UNTOUCHED:
            assert not rig.discarded, "what was read is used"
        whole = [step for step in before if before_is_whole(how, before, step)]
        if meanwhile is Meanwhile.UNLOADED:
            assert {step.id for step in whole} <= {step.id for step in rig.kept}, "whole series stay"
        until += 1
    assert until > 8


def before_is_whole(how: Setup, before: list[LoadStep], step: LoadStep) -> bool:
    counted = Counter(one.series for one in before)
    return counted[step.series] == len(how.outline.series[step.series - 1].places)


@settings(max_examples=60, deadline=None)
@given(stops=st.lists(st.tuples(st.integers(0, 60), st.sampled_from(STOPS)), max_size=6),
       name=st.sampled_from([SHORT, FULL, SECOND_ARM]), mountings=st.integers(1, 4))  # fmt: skip
def test_stopped_again_and_again(stops: list[tuple[int, Meanwhile]], name: str, mountings: int) -> None:
    rig, how = Rig(), setup(name, mountings)
    meanwhile = Meanwhile.UNTOUCHED
    for until, then in stops:
        before = (len(rig.taken), len(rig.discarded))
        if carry_on(rig, how, meanwhile, until):
            break
        nothing_since = before == (len(rig.taken), len(rig.discarded))
        meanwhile = max(meanwhile, then, key=STOPS.index) if nothing_since else then
        rig.stop(then)
    carry_on(rig, how, meanwhile)
    assert_whole(rig, how)


@settings(max_examples=60, deadline=None)
@given(wishes=st.dictionaries(st.integers(0, 120), st.sampled_from(list(Wish)), max_size=5),
       name=st.sampled_from([SHORT, FULL]))  # fmt: skip
def test_wishes_at_any_point_end_in_a_whole_course(wishes: dict[int, Wish], name: str) -> None:
    rig, how = Rig(), setup(name)
    course, answer, count = dead_weights(how), None, 0
    while True:
        try:
            step = course.send(answer)
        except StopIteration:
            break
        acts = isinstance(step, FitArm | Remount | Clear | Hang | Unhang)
        answer = wishes[count] if acts and count in wishes else rig.follow(step)
        count += 1
    assert_whole(rig, how)
