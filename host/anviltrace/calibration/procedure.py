"""The course of a dead-weight calibration: what to do next, told step by step.

A generator that does nothing itself: it yields instructions, a person or the virtual operator follows them,
and each is answered by sending what came of it: a :class:`Read` by a :class:`Reading` or a :class:`Failed`,
an :class:`AskAngle` by an :class:`Angle`, everything else by None (done) or a :class:`Wish`. Inside a series
the load never turns back: a reading is repeated under the load that hangs, or the series begins anew.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

from GTC import value

from anviltrace.calibration.course import FULL, SHORT, Outline, Place, Series, open_series
from anviltrace.calibration.instructions import (
    Action,
    Angle,
    Answer,
    AskAngle,
    Bare,
    Clear,
    Course,
    Doubt,
    Drop,
    Failed,
    Finish,
    FitArm,
    Hang,
    Instruction,
    Keep,
    Meanwhile,
    Read,
    Reading,
    Remount,
    Restore,
    Say,
    Unhang,
    Void,
    Wait,
    WarmUp,
    Wish,
)
from anviltrace.calibration.ladder import MOST_ANGLE_DEG, Load, Manner, Preload, check_ladder
from anviltrace.calibration.lever import Lever
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, LoadStep

_PRELOAD = Preload()
_MANNER = Manner()
_MISFIT = 0.15
"""A reading this far off in proportion to the others means that something else hangs than was asked for."""
_ZERO_MISFIT = 0.02
"""The same for readings near zero, as a share of the largest load."""


EMPTY = Load(())


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What a course is taken with. ``outline`` names the course; its loads are those of ``ladder``."""

    lever: Lever
    arm: Arm
    sign: int
    ladder: Sequence[Load]
    outline: Outline
    preload: Preload = _PRELOAD
    manner: Manner = _MANNER


def outline_of(ladder: Sequence[Load], name: str = SHORT, mountings: int = 1, side_of: str = "") -> Outline:
    """The outline of a course over ``ladder``; only a full one has several mountings."""
    return Outline(
        name=name,
        loads=tuple(tuple(mass.id for mass in load.masses) for load in ladder),
        angles_deg=tuple(load.angle_deg for load in ladder),
        mountings=mountings if name == FULL else 1,
        side_of=side_of,
    )


def dead_weights(
    setup: Setup, kept: Sequence[LoadStep] = (), meanwhile: Meanwhile = Meanwhile.UNTOUCHED
) -> Course:
    """All that is still to be done of a course, after the readings ``kept`` so far.

    After a stop, ``meanwhile`` says what became of the rig. Untouched, a series goes on where it was;
    unloaded, it begins anew with a zero; remounted, all series of its mounting do.

    Raises CalibrationError at once when the ladder cannot be hung, and from the generator when a reading
    cannot be used and nobody answers the doubt.
    """
    check_ladder(setup.ladder)
    return _DeadWeights(setup).course(kept, meanwhile)


class _Anew(Exception):  # noqa: N818
    """The series at hand begins anew."""


class _DeadWeights:
    """``_seen`` holds torque and counts of the readings of the series at hand, ``_last`` the reading taken
    just before, as long as nothing has been moved since; ``_inside`` says whether a series is going on."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._series = setup.outline.series
        self._hanging = EMPTY
        self._seen: list[tuple[float, float]] = []
        self._last: Read | None = None
        self._inside = False

    def course(self, kept: Sequence[LoadStep], meanwhile: Meanwhile) -> Course:
        found = open_series(self._setup.outline, kept)
        if found is None:
            return
        series, place = found
        if kept:
            series, place = yield from self._resume(series, place, kept, meanwhile)
        else:
            yield from self._begin()
            if said := self._empty_arm():
                yield Say(said)
            yield from self._mount(series, FitArm(self._setup.arm, self._setup.sign))
        yield from self._take(series, place)
        for following in self._series[series.number :]:
            if following.opens_mounting:
                turned_deg = self._position_deg(following)
                yield from self._mount(following, Remount(self._setup.arm, self._setup.sign, turned_deg))
            yield from self._take(following)
        yield from self._act(Finish())

    def _empty_arm(self) -> str:
        """What acts besides the weights, in words; empty where the empty arm is not described."""
        setup, top = self._setup, self._setup.ladder[-1]
        own = setup.lever.own_nm(setup.arm.angle_deg)
        if own is None:
            return ""
        most_nm = setup.lever.borne_nm(top.masses, self._angle_deg(top))
        return (
            f"{setup.arm.name}, empty, makes {value(own):.1f} N·m, which the zero takes up; with the highest "
            f"load {most_nm:.1f} N·m act on the rig"
        )

    def _begin(self) -> Course:
        """Before the first mounting of a full course."""
        if self._setup.outline.name == FULL:
            yield from self._warm_up()
            yield Bare()

    def _warm_up(self) -> Course:
        if self._setup.outline.name != SHORT and self._setup.manner.warm_up_s > 0.0:
            yield WarmUp(self._setup.manner.warm_up_s)

    def _resume(
        self, series: Series, place: int, kept: Sequence[LoadStep], meanwhile: Meanwhile
    ) -> Generator[Instruction, Answer, tuple[Series, int]]:
        """Bring the rig to where a series can go on; returns the series and the place in it."""
        begun = place > 0 or not series.opens_mounting
        if meanwhile is Meanwhile.UNTOUCHED and place > 0:
            yield from self._restore(series, place, kept)
            return series, place
        if meanwhile is not Meanwhile.UNTOUCHED:
            yield from self._warm_up()
        if begun and meanwhile is not Meanwhile.REMOUNTED:
            if place > 0:
                yield Void((series.number,), "stopped inside the series: it begins anew with a zero")
            yield from self._act(Clear())
            yield from self._preload(self._setup.preload.count)
            return series, 0
        if begun:
            there = {step.series for step in kept}
            lost = [one for one in self._series if one.mounting == series.mounting]
            numbers = tuple(one.number for one in lost if one.number in there)
            yield Void(numbers, "the arm has been off: the series of its mounting begin anew")
            series = lost[0]
        fit = FitArm(self._setup.arm, self._setup.sign, self._position_deg(series))
        yield from self._mount(series, fit)
        return series, 0

    def _restore(self, series: Series, place: int, kept: Sequence[LoadStep]) -> Course:
        """The next load may hang already, or not yet."""
        here = sorted((step for step in kept if step.series == series.number), key=lambda step: step.number)
        loads = dict(zip(self._setup.outline.loads, self._setup.ladder, strict=True))
        for step in here:
            load = replace(loads.get(step.mass_ids, EMPTY), angle_deg=step.angle_deg)
            self._seen.append((self._torque_nm(load), step.mean_counts))
        load = self._load(series.places[place])
        self._hanging = load
        total_kg = sum(mass.mass_kg for mass in load.masses)
        yield from self._act(
            Restore(series.places[place].branch, load.masses, total_kg, self._torque_nm(load))
        )

    def _mount(self, series: Series, action: FitArm | Remount) -> Course:
        yield from self._act(action)
        first = series.mounting == 1 and self._setup.outline.name == FULL
        yield from self._preload(self._setup.manner.preloads if first else self._setup.preload.count)

    def _preload(self, count: int) -> Course:
        top = self._setup.ladder[-1]
        for load in (top, EMPTY) * count:
            yield from self._change_to(load)
            yield Wait(self._setup.preload.hold_s)

    def _take(self, series: Series, place: int = 0) -> Course:
        """All readings of a series from ``place`` on, as often as it begins anew."""
        while True:
            self._inside = True
            try:
                yield from self._places(series, place)
            except _Anew as anew:
                self._inside = False
                yield Void((series.number,), str(anew))
                self._seen, self._last, self._hanging, place = [], None, EMPTY, 0
                yield from self._act(Clear())
                yield from self._preload(self._setup.preload.count)
            else:
                self._inside = False
                return

    def _places(self, series: Series, start: int) -> Course:
        for index in range(start, len(series.places)):
            load = self._load(series.places[index])
            if load != self._hanging:
                yield from self._change_to(load)
            if not load.masses and index > 0 and self._setup.outline.name != SHORT:
                yield Wait(self._setup.manner.zero_wait_s)
            if index == 0:
                self._seen = []
            yield from self._read((yield from self._asked(series, index)))

    def _asked(self, series: Series, index: int) -> Generator[Instruction, Answer, Read]:
        place = series.places[index]
        load = self._load(place)
        if load.masses and self._setup.manner.ask_angle and self._setup.outline.name != SHORT:
            load = replace(load, angle_deg=(yield from self._measured_deg(load)))
        before = sum(len(one.places) for one in self._series[: series.number - 1])
        of = sum(len(one.places) for one in self._series)
        torque_nm, number = self._torque_nm(load), before + index + 1
        angle_deg = self._angle_deg(load)
        return Read(number, of, place.branch, load, angle_deg, torque_nm, series.number, series.mounting)

    def _measured_deg(self, load: Load) -> Generator[Instruction, Answer, float]:
        while True:
            answer = yield AskAngle(load, self._angle_deg(load))
            if not isinstance(answer, Angle):
                return self._angle_deg(load)
            if abs(answer.angle_deg) <= MOST_ANGLE_DEG:
                return answer.angle_deg
            yield Say(
                f"{answer.angle_deg:g}° is beyond ±{MOST_ANGLE_DEG:g}°: level the arm and measure again"
            )

    def _read(self, asked: Read) -> Course:
        """Until the reading can be used."""
        while True:
            answer = yield asked
            reason = self._why_not(asked, answer)
            if not reason and isinstance(answer, Reading):
                yield Keep(asked)
                self._seen.append((asked.torque_nm, answer.mean_counts))
                self._last = asked
                return
            wish = yield Doubt(asked, reason)
            if wish is None:
                raise CalibrationError(reason)
            if wish is Wish.ANEW and self._inside and self._seen:
                raise _Anew(f"begun anew: {reason}")

    def _why_not(self, asked: Read, answer: Answer) -> str:
        if isinstance(answer, Failed):
            return answer.reason
        if not isinstance(answer, Reading):
            raise TypeError("a Read is answered by sending the Reading, or why there is none")
        return why_misfit([*self._seen, (asked.torque_nm, answer.mean_counts)], asked)

    def _act(self, action: Action) -> Course:
        """Until it is done; a reading taken just before may be repeated first."""
        while True:
            wish = yield action
            if wish is Wish.AGAIN and self._last is not None:
                yield Drop("repeated at the wish of the operator")
                self._seen.pop()
                yield from self._read(self._last)
            elif wish is Wish.ANEW and self._inside and self._seen:
                raise _Anew("begun anew at the wish of the operator")
            elif isinstance(wish, Wish):
                yield Say(f"“{wish}” is not possible here: no reading just before, or no series begun")
            else:
                break
        self._last = None

    def _change_to(self, load: Load) -> Course:
        yield from self._act(_change(self._hanging, load, self._torque_nm(load)))
        self._hanging = load

    def _load(self, place: Place) -> Load:
        return EMPTY if place.load is None else self._setup.ladder[place.load]

    def _position_deg(self, series: Series) -> float:
        return 360.0 / self._setup.outline.mountings * (series.mounting - 1)

    def _angle_deg(self, load: Load) -> float:
        return self._setup.arm.angle_deg if load.angle_deg is None else load.angle_deg

    def _torque_nm(self, load: Load) -> float:
        return float(value(self._setup.lever.torque_nm(load.masses, self._angle_deg(load))))


def check_rating(lever: Lever, arm: Arm, ladder: Sequence[Load], highest_nm: float | None) -> None:
    """CalibrationError when a load with the empty arm is beyond what ``arm`` bears; None: no rating known."""
    for number, load in enumerate(ladder, 1):
        angle_deg = arm.angle_deg if load.angle_deg is None else load.angle_deg
        torque_nm = lever.borne_nm(load.masses, angle_deg)
        if highest_nm is not None and torque_nm > highest_nm:
            own = "" if arm.own_mass_kg is None else ", its own moment included"
            raise CalibrationError(
                f"load {number} makes {torque_nm:.1f} N·m{own}, beyond the {highest_nm:g} N·m that "
                f"{arm.name} is rated for: hang nothing; leave weights out, or take a stronger arm"
            )


def side_ladder(first: Lever, second: Lever, arm: Arm, ladder: Sequence[Load]) -> tuple[Load, ...]:
    """The loads for a second arm: those of ``ladder`` that stay within the torque of the first arm's top."""
    top_nm = float(value(first.torque_nm(ladder[-1].masses, 0.0)))
    loads = [Load(load.masses) for load in ladder]
    return tuple(
        load for load in loads if float(value(second.torque_nm(load.masses, arm.angle_deg))) <= 1.1 * top_nm
    )


def _change(before: Load, after: Load, torque_nm: float) -> Hang | Unhang:
    total_kg = sum(mass.mass_kg for mass in after.masses)
    added = tuple(mass for mass in after.masses if mass not in before.masses)
    if added:
        return Hang(added, total_kg, torque_nm)
    return Unhang(tuple(mass for mass in before.masses if mass not in after.masses), total_kg, torque_nm)


def why_misfit(seen: Sequence[tuple[float, float]], asked: Read) -> str:
    """Why the latest of the readings (torque in N·m, counts) of a series does not go with those before it.

    Empty when it does. The latest is compared with the largest load before it, and with its neighbour.
    """
    zero_counts = seen[0][1]
    torque_nm, counts = seen[-1]
    top_nm, top_counts = max(seen[:-1], default=(0.0, 0.0))
    if top_nm == 0.0:
        return ""
    net, per_nm = counts - zero_counts, (top_counts - zero_counts) / top_nm
    expected, limit = per_nm * torque_nm, abs(per_nm) * (_MISFIT * torque_nm + _ZERO_MISFIT * top_nm)
    if abs(net - expected) > limit:
        return (
            f"reading {asked.number} is {net:+.0f} counts from the zero where about {expected:+.0f} was "
            f"expected for {torque_nm:.1f} N·m (±{limit:.0f}): check which weights hang and that nothing "
            "touches the arm"
        )
    before_nm, before_counts = seen[-2]
    if (counts - before_counts) * (torque_nm - before_nm) * per_nm <= 0.0:
        return (
            f"reading {asked.number} is out of order: {counts - before_counts:+.0f} counts from the one "
            f"before, {torque_nm - before_nm:+.1f} N·m: check which weights hang now and hung then"
        )
    return ""
