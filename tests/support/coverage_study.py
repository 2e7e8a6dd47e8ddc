"""Simulated calibrations: how often stated intervals hold the truth, through the virtual rig and the course.

Nature draws what weights, arm, angle, gravity and air truly are from the distributions stated for them. The
real course of instructions is answered by windows of counts from the virtual rig's transducer, and the
readings become load steps as in a recording. Later the rig carries a torque that is known exactly, and what
the calibration states of it is held against it.

What a budget says it leaves out (side force, temperature, creep) is not simulated either.
"""

from __future__ import annotations

import math
import multiprocessing
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt
from hungweights import Nature, arm, calibration, masses
from monte_carlo import Beside, draw_beside
from workshop import fixed_id

from anviltrace.calibration.budget import Budget, Case
from anviltrace.calibration.course import FULL, SHORT
from anviltrace.calibration.departure import distance_variance_nm2
from anviltrace.calibration.instructions import (
    Answer,
    Doubt,
    FitArm,
    Hang,
    Instruction,
    Keep,
    Read,
    Reading,
    Remount,
    Unhang,
    Wait,
)
from anviltrace.calibration.ladder import Manner, one_more_each_time
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.line import LineFit, fit_line
from anviltrace.calibration.numbers import Numbers, work_out
from anviltrace.calibration.procedure import Setup, dead_weights, outline_of
from anviltrace.calibration.quantities import RAISED_COSINE
from anviltrace.calibration.slope import site_of
from anviltrace.calibration.stability import Gate, Known, Window, look_at, why_unsteady
from anviltrace.onethread import environment_of_workers
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Spread
from anviltrace.virtual import lever as virtual
from anviltrace.virtual.rig import Gauge, Transducer

Values = npt.NDArray[np.float64]

RATE_HZ = 80.0
COUNTS_PER_MV_PER_V = 128 * 0x800000 / 500.0
"""An HX711 at its gain of 128."""
NOISE_COUNTS = 25.0
LEVELS = {"low": 0.25, "mid": 0.5, "full": 1.0}
"""Torques at which intervals are judged, as shares of the highest load, which makes 321.7 N·m."""
_GATE = Gate()


@dataclass(frozen=True, kw_only=True)
class Workshop:
    """What is known of weights and arm, how the transducer is made, and which course is taken.

    ``remount`` is the relative standard deviation of the sensitivity from one mounting to the next. With
    ``mountings`` of 1 the course is the short one, and the torque judged is in the mounting of the
    calibration; otherwise it is the full one, and the torque is in a mounting made anew.
    """

    name: str
    leads: str
    mass_u_kg: float = 0.002
    arm_u_m: float = 0.0002
    spread: Spread = Spread.NORMAL
    angle_within_deg: float = 0.0
    remount: float = 0.0002
    hysteresis: float = 0.0002
    quadratic: float = 0.0
    mountings: int = 4
    sign: int = 1

    @property
    def truth(self) -> str:
        """Which mounting the truth belongs to."""
        return "this mounting" if self.mountings == 1 else "a new mounting"

    @property
    def weights(self) -> tuple[Mass, ...]:
        """As the inventory has them."""
        return masses(self.mass_u_kg, self.spread)

    @property
    def arm(self) -> Arm:
        """As the inventory has it."""
        return arm(self.arm_u_m, self.spread, self.angle_within_deg)

    @property
    def transducer(self) -> Transducer:
        """As nature made it."""
        return Transducer(
            rated_nm=400.0, sensitivity_mv_per_v_per_nm=0.004127, natural_hz=900.0, damping=0.02,
            quadratic=self.quadratic, hysteresis=self.hysteresis, remount_span=self.remount,
            remount_zero_mv_per_v=0.002, zero_mv_per_v=0.01,
        )  # fmt: skip


class Rig:
    """The virtual transducer with true weights on a true arm; times in seconds since power-up."""

    def __init__(self, workshop: Workshop, made: Calibration, random: np.random.Generator) -> None:
        nature = Nature.drawn(workshop.weights, workshop.arm, made, random)
        self._gauge = Gauge(workshop.transducer, random)
        self._random, self._sign = random, made.sign
        self._arm = virtual.Arm(length_m=nature.length_m, angle_deg=math.degrees(math.acos(nature.cosine)))
        self._site = virtual.Site(gravity_m_per_s2=nature.gravity, air_density_kg_per_m3=nature.air)
        self._weights = {
            mass_id: virtual.Mass(mass_kg=kilograms, density_kg_per_m3=nature.densities[mass_id])
            for mass_id, kilograms in nature.masses_kg.items()
        }
        self._hanging: frozenset[str] = frozenset()
        self._torques_nm: dict[frozenset[str], float] = {}
        self._carried_nm, self._now_s = 0.0, 0.0

    def remount(self) -> None:
        """Take off what is on and put it on anew."""
        self._gauge.remount()

    def hang(self, added: Sequence[Mass]) -> None:
        """Lower weights onto the arm."""
        self._hanging |= {mass.id for mass in added}
        self._load()

    def unhang(self, taken: Sequence[Mass]) -> None:
        """Take weights off."""
        self._hanging -= {mass.id for mass in taken}
        self._load()

    def carry(self, torque_nm: float, wait_s: float = 10.0) -> float:
        """Move to a torque without turning back and stay; the bridge's output then, in counts.

        Such a transducer neither creeps nor warms up, and its memory asks only where the way ended.
        """
        output = self._gauge.signal(np.array([torque_nm]), self._now_s, wait_s, 1)
        self._carried_nm, self._now_s = torque_nm, self._now_s + wait_s
        return float(output[0]) * COUNTS_PER_MV_PER_V

    def wait(self, wait_s: float) -> None:
        """Leave everything as it is."""
        self.carry(self._carried_nm, wait_s)

    def window(self) -> Window:
        """A window of counts, as the converter delivers them."""
        counts = self.carry(self._carried_nm) + NOISE_COUNTS * self._random.standard_normal(
            _GATE.samples(RATE_HZ)
        )
        return look_at(np.rint(counts).astype(np.int32))

    def _load(self) -> None:
        if self._hanging not in self._torques_nm:
            hung = [self._weights[mass_id] for mass_id in sorted(self._hanging)]
            self._torques_nm[self._hanging] = virtual.hanging_torque_nm(hung, self._arm, self._site)
        self.carry(self._sign * self._torques_nm[self._hanging])


@dataclass(frozen=True)
class Calibrated:
    """A calibration, what it gives, and the rig it was made on."""

    made: Calibration
    fit: LineFit
    numbers: Numbers
    rig: Rig


class Reader:
    """Follows a course on the rig as a person would, and keeps its readings."""

    def __init__(self, rig: Rig, made: Calibration) -> None:
        self._rig, self._made = rig, made
        self._window: Window | None = None
        self._known = Known()
        self.steps: list[LoadStep] = []

    def follow(self, instruction: Instruction) -> Answer:
        """Do as told; readings are answered with their mean."""
        match instruction:
            case FitArm() | Remount():
                self._rig.remount()
            case Hang():
                self._rig.hang(instruction.masses)
            case Unhang():
                self._rig.unhang(instruction.masses)
            case Wait():
                self._rig.wait(instruction.seconds)
            case Read():
                return Reading(self._read().mean_counts)
            case Keep():
                self._keep(instruction.asked)
            case Doubt():
                raise AssertionError(instruction.reason)
        return None

    def _read(self) -> Window:
        """The first window that is steady; chance makes one in some ten thousand look as if it drifted."""
        for _ in range(5):
            self._window = window = self._rig.window()
            if not why_unsteady(window, self._known, _GATE):
                return window
        raise AssertionError("the rig never came to rest")

    def _keep(self, asked: Read) -> None:
        assert self._window is not None
        if not asked.load.masses:
            self._known = replace(
                self._known, zero_counts=self._window.mean_counts, noise_counts=self._window.sd_counts
            )
        number = len(self.steps) + 1
        self.steps.append(
            LoadStep(
                id=fixed_id(100 + number),
                calibration_id=self._made.id,
                number=number,
                series=asked.series,
                mounting=asked.mounting,
                branch=asked.branch,
                run_id=fixed_id(200 + number),
                mass_ids=tuple(mass.id for mass in asked.load.masses),
                angle_deg=asked.angle_deg,
                mean_counts=self._window.mean_counts,
                sd_counts=self._window.sd_counts,
                drift_counts=self._window.drift_counts,
                samples=self._window.samples,
                taken_at=self._made.taken_at,
            )
        )


def calibrate(workshop: Workshop, random: np.random.Generator) -> Calibrated:
    """Carry the course through on a rig drawn anew."""
    made = calibration(workshop.sign)
    rig = Rig(workshop, made, random)
    steps = follow_course(workshop, made, rig)
    by_id = {mass.id: mass for mass in workshop.weights}
    lever = lever_of(workshop)
    fit = fit_line(steps, made, by_id, workshop.arm, lever)
    return Calibrated(made, fit, work_out(steps, made, by_id, workshop.arm, fit, lever=lever), rig)


@lru_cache(maxsize=4)
def lever_of(workshop: Workshop) -> Lever:
    """Reference torques depend on what is stated, which is the same in every draw."""
    return Lever(workshop.arm, site_of(calibration(workshop.sign)))


def follow_course(workshop: Workshop, made: Calibration, rig: Rig) -> list[LoadStep]:
    """The readings of a whole course, by the instructions a person gets."""
    ladder = one_more_each_time(workshop.weights)
    outline = outline_of(ladder, SHORT if workshop.mountings == 1 else FULL, workshop.mountings)
    lever = lever_of(workshop)
    manner = Manner(mountings=workshop.mountings)
    setup = Setup(
        lever=lever, arm=workshop.arm, sign=made.sign, ladder=ladder, outline=outline, manner=manner
    )
    reader, course = Reader(rig, made), dead_weights(setup)
    answer: Answer = None
    while True:
        try:
            answer = reader.follow(course.send(answer))
        except StopIteration:
            return reader.steps


STATEMENTS = ("line", str(Case.RISING), str(Case.BOTH))
"""What a calibration states intervals by: the line that runs take (95 %), and the budgets (95.45 %)."""


def judge(workshop: Workshop, seed: int) -> Values:
    """Error, half width in N·m, and the largest share of a limit; shape (statements, levels, 3).

    The share is that of the variance which one input has that is known by its limits (rectangular or
    U-shaped): where it is large the GUM's interval holds the truth too often. What the transducer departs
    from the line by makes the readings scatter about it as well, and counts with both.
    """
    random = np.random.default_rng([zlib.crc32(workshop.name.encode()), seed])
    found = calibrate(workshop, random)
    if workshop.mountings > 1:
        found.rig.remount()
    full_nm = found.fit.line.highest_nm
    rows = [list(_judge_at(workshop, found, share * full_nm, random)) for share in LEVELS.values()]
    return np.swapaxes(np.array(rows), 0, 1)


def _judge_at(
    workshop: Workshop, found: Calibrated, torque_nm: float, random: np.random.Generator
) -> Iterator[tuple[float, float, float]]:
    """For torque that rises or falls as it happens; the result for rising torque is asked of that only."""
    sign, line, numbers = found.made.sign, found.fit.line, found.numbers
    found.rig.carry(sign * line.highest_nm)
    zero = found.rig.carry(0.0)
    rising = found.rig.carry(sign * torque_nm) - zero
    found.rig.carry(sign * line.highest_nm)
    falling = found.rig.carry(sign * torque_nm) - zero
    either = (rising, falling)[int(random.integers(2))]
    share = _limit_in_line(workshop, found, torque_nm)
    yield sign * line.torque_nm(either) - torque_nm, line.expanded_nm(torque_nm), share
    for case, net in ((Case.RISING, rising), (Case.BOTH, either)):
        budget = numbers.budget(torque_nm, case)
        counts_per_nm = line.counts_per_nm * (1.0 + numbers.slope_differs(case))
        yield sign * net / counts_per_nm - torque_nm, budget.expanded_nm, _limit_in_budget(found, budget)


def _limit_in_line(workshop: Workshop, found: Calibrated, torque_nm: float) -> float:
    line, parts = found.fit.line, {part.source: part.u_relative for part in found.fit.contributions}
    flat = ("arm length", "mass of") if workshop.spread is Spread.RECTANGULAR else ()
    limits_nm = [torque_nm * u for source, u in parts.items() if source.startswith(("arm angle", *flat))]
    scatter_nm = torque_nm * parts["scatter of the readings"]
    again = _departure_in(found.fit.scatter_nm, found) * scatter_nm**2
    limits = [line.departure_u_nm**2 + again, *(u**2 for u in limits_nm)]
    return max(limits) / line.standard_uncertainty_nm(torque_nm) ** 2


def _limit_in_budget(found: Calibrated, budget: Budget) -> float:
    limits = [term for term in budget.terms if term.distribution.startswith(("rectangular", "U-shaped"))]
    scatters_nm = {"line": found.fit.scatter_nm, "s": found.numbers.basis.scatter_nm}
    again = sum(
        term.share * _departure_in(scatters_nm[term.symbol], found)
        for term in budget.terms
        if term.symbol in scatters_nm
    )
    return max(term.share + again * term.symbol.startswith("fa") for term in limits)


def _departure_in(scatter_nm: float, found: Calibrated) -> float:
    """The share of the variance of readings about the line that neither noise nor weights account for."""
    numbers = found.numbers
    noise_nm = NOISE_COUNTS * math.sqrt(RAISED_COSINE / _GATE.samples(RATE_HZ)) / numbers.basis.counts_per_nm
    torque_nm = np.array([level.torque_nm for level in numbers.quantities.levels])
    weights_nm2 = distance_variance_nm2(torque_nm, numbers.load_covariance_nm2, (1,)).mean()
    return max(0.0, 1.0 - (noise_nm**2 + float(weights_nm2)) / scatter_nm**2)


def study(workshop: Workshop, times: int) -> Values:
    """:func:`judge` so many times, shape (times, statements, levels, 3)."""
    return np.array([judge(workshop, seed) for seed in range(times)])


def study_on_two(workshop: Workshop, times: int) -> Values:
    """The same on two processes."""
    spawn = multiprocessing.get_context("spawn")
    with environment_of_workers(), ProcessPoolExecutor(2, spawn) as pool:
        return np.array(list(pool.map(partial(judge, workshop), range(times), chunksize=10)))


def coverage(judged: Values) -> Values:
    """Share of intervals that hold the truth, shape (statements, levels)."""
    held: Values = np.mean(np.abs(judged[..., 0]) <= judged[..., 1], axis=0)
    return held


def limit_leads(judged: Values) -> npt.NDArray[np.bool_]:
    """Where an input known by its limits has more than half the variance, shape (statements, levels)."""
    leads: npt.NDArray[np.bool_] = np.median(judged[..., 2], axis=0) > 0.5
    return leads


WORKSHOPS = (
    Workshop(name="arm, short course", leads="length of the arm", arm_u_m=0.0004, mountings=1),
    Workshop(name="arm", leads="length of the arm", arm_u_m=0.0004),
    Workshop(name="weights", leads="weights", mass_u_kg=0.006, arm_u_m=0.0001, sign=-1),
    Workshop(name="balance", leads="nothing alone"),
    Workshop(name="mountings", leads="mountings, 3 degrees of freedom", remount=0.002, sign=-1),
    Workshop(name="five mountings", leads="mountings, 4 degrees of freedom", remount=0.002, mountings=5),
    Workshop(name="limits", leads="arm by its limits", mass_u_kg=0.0115, arm_u_m=0.0006,
             spread=Spread.RECTANGULAR, angle_within_deg=1.0),
    Workshop(name="hysteresis", leads="hysteresis", hysteresis=0.002, sign=-1),
    Workshop(name="hysteresis, short course", leads="hysteresis", hysteresis=0.002, mountings=1),
    Workshop(name="bend", leads="bend of the transducer", quadratic=0.003),
)  # fmt: skip
THREE_MOUNTINGS = Workshop(
    name="three mountings", leads="mountings, 2 degrees of freedom", remount=0.002, mountings=3
)
"""Fewer than a full course has unless told otherwise."""


@dataclass(frozen=True)
class Expected:
    """A calibration whose interval is drawn (JCGM 101) as well, and why the two may differ.

    ``difference`` is empty where they should agree. ``narrower`` says of each end whether the drawn
    one lies nearer to the torque; None: it may be either.
    """

    workshop: Workshop
    difference: str = ""
    narrower: tuple[bool | None, bool | None] = (None, None)


_FLAT = Spread.RECTANGULAR
DRAWN = (
    Expected(replace(WORKSHOPS[0], name="arm, weights and scatter", hysteresis=0.0)),
    Expected(
        Workshop(name="nine mountings", leads="mountings, 8 degrees of freedom", remount=0.002, mountings=9)
    ),
    Expected(
        replace(WORKSHOPS[1], name="five mountings beside the arm", mountings=5, hysteresis=0.0),
        "t with 4 degrees of freedom has twice the variance that s² shows; Welch-Satterthwaite takes s²",
        (False, False),
    ),
    Expected(
        Workshop(name="arm by its limits", leads="arm by its limits", arm_u_m=0.0008, spread=_FLAT,
                 mass_u_kg=0.001, mountings=1, hysteresis=0.0),
        "a rectangle leads: its 95 % lie within 1.65 standard deviations, k is 1.96",
        (True, True),
    ),
    Expected(
        WORKSHOPS[8],
        "a U-shaped limit leads: nothing lies beyond 1.41 standard deviations, k is 1.96",
        (True, True),
    ),
    Expected(
        Workshop(name="arm known to ±4°", leads="angle of the arm, to second order", arm_u_m=0.0001,
                 angle_within_deg=4.0, mountings=1, hysteresis=0.0),
        "the cosine only ever takes away: the distribution is lopsided, the stated interval is not",
        (False, True),
    ),
)  # fmt: skip


def draw(expected: Expected, draws: int) -> dict[str, Beside]:
    """The stated and the drawn interval of one calibration at each level."""
    workshop, random = expected.workshop, np.random.default_rng([20261125, 101])
    made = calibration(workshop.sign)
    steps = follow_course(workshop, made, Rig(workshop, made, random))
    fit = fit_line(steps, made, {mass.id: mass for mass in workshop.weights}, workshop.arm)
    return {
        level: draw_beside(
            fit, steps, made, workshop.weights, workshop.arm, share * fit.line.highest_nm, draws, random
        )
        for level, share in LEVELS.items()
    }
