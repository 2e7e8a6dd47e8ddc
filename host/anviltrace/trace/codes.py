"""Codes that a converter gives too often or never: a test of its histogram with the rig's own noise.

The noise of a rig at rest is the signal of a code density test (IEEE Std 1241, from memory): within a few
codes of each other neighbours are as frequent as the noise makes them. A code is *missing* when it never
comes although its neighbours say it should, *sticky* when it comes more than twice as often (a differential
non-linearity of −1, or of more than +1). What one code is worth is told from its neighbours on both sides by
their geometric mean, which for normal noise is right at any distance from the middle but for the known
factor exp(d²/(2σ²)) at d codes.

Two more faults show in single readings: readings that only repeat the one before, and low bits that never
change. Each limit is set so that a sound converter trips it less than once in ten thousand records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.level import SD_PER_MAD, noise_sd

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

FALSE_ALARM = 1e-4
"""Chance that one of the tests finds a fault in a sound converter, at most."""
LEAST_SD = 1.0
"""With noise below one code the same code comes again and again in a sound converter too."""
LEAST_SAMPLES = 100
_STICKY = 2.0
_MOST_WINDOW = 32
_WIDEST = 1 << 20
"""A record that spans more codes than this is no rig at rest."""
_BITS = 20


@dataclass(frozen=True, slots=True)
class Codes:
    """What the histogram says: ``tested`` codes came often enough to tell, of these some may be ``missing``
    or ``sticky``. ``dead_bits`` (0 is the lowest) never change although the noise reaches over them.

    ``repeats`` readings equal the one before; ``repeats_most`` is what a sound converter stays below.
    ``longest`` is the longest row of equal readings, ``longest_most`` what a sound converter stays below.
    """

    noise_counts: float
    tested: int
    missing: tuple[int, ...]
    sticky: tuple[int, ...]
    dead_bits: tuple[int, ...]
    repeats: int
    repeats_most: int
    longest: int
    longest_most: int

    @property
    def sound(self) -> bool:
        """Whether nothing was found."""
        rows = self.repeats <= self.repeats_most and self.longest <= self.longest_most
        return rows and not (self.missing or self.sticky or self.dead_bits)


def look_at_codes(counts: npt.ArrayLike) -> Codes | str:
    """The codes of a rig at rest, or in words why they tell nothing. ``counts``: int, shape (n,)."""
    codes: Ints = np.asarray(counts, dtype=np.int64)
    if codes.size < LEAST_SAMPLES:
        return f"{codes.size} samples are too few to judge codes: {LEAST_SAMPLES} at least"
    if int(codes.max()) == int(codes.min()):
        return (
            f"all {codes.size} samples are the code {int(codes[0])}: a chip that stands still, or an input "
            "without any noise; see whether the reading moves when the rig is pushed"
        )
    steps = np.diff(codes)
    step_sd, level_sd = _robust_sd(steps[steps != 0]), noise_sd(codes)
    if level_sd < LEAST_SD or step_sd < LEAST_SD:
        sd = min(level_sd, step_sd)
        return (
            f"the noise is {sd:.2f} counts, below one code: a code that comes again and again is nothing "
            "strange then; a higher gain or rate would show it"
        )
    repeated = steps == 0
    most, longest_most = _repeat_limits(steps, step_sd)
    missing, sticky, tested = _density(codes, min(level_sd, step_sd / math.sqrt(2.0)))
    return Codes(
        noise_counts=level_sd,
        tested=tested,
        missing=missing,
        sticky=sticky,
        dead_bits=_dead_bits(codes, level_sd),
        repeats=int(np.count_nonzero(repeated)),
        repeats_most=most,
        longest=_longest_row(repeated),
        longest_most=longest_most,
    )


def _robust_sd(steps: Ints) -> float:
    return SD_PER_MAD * float(np.median(np.abs(steps))) if steps.size else 0.0


def _repeat_limits(steps: Ints, step_sd: float) -> tuple[int, int]:
    """How many readings may equal the one before, and how many in a row, in a sound converter.

    Steps of nought are about as frequent as the smallest other steps. Noise that a filter made slow repeats
    itself more readily in a row than independent readings would, hence the square root.
    """
    expected, u = _steps_of_nought(steps, step_sd)
    most = expected + 5.0 * math.hypot(math.sqrt(expected), u) + 5.0
    chance = min(0.8, max(most / steps.size, 1e-3))
    row = 2.0 * math.log(steps.size / FALSE_ALARM) / -math.log(chance)
    return math.ceil(most), 2 + math.ceil(row)


def _steps_of_nought(steps: Ints, step_sd: float) -> tuple[float, float]:
    """How many steps of nought the others make one expect, with a standard uncertainty.

    Normal steps of the standard deviation s: n(0) = n(d)·exp(d²/(2s²)). For a small s the two smallest
    steps tell it themselves: n(0) = n(1)·(n(1)/n(2))^(1/3).
    """
    reach = max(2, int(step_sd / 6.0))
    number = np.bincount(np.minimum(np.abs(steps), reach + 1), minlength=reach + 2)[1:-1].astype(np.float64)
    if step_sd >= 12.0:
        sizes = np.arange(1, reach + 1)
        fall = float(np.exp(-0.5 * np.square(sizes / step_sd)).sum())
        expected = 0.5 * float(number.sum()) / fall
        return expected, expected / math.sqrt(max(1.0, float(number.sum())))
    first, second = max(1.0, float(number[0])), max(1.0, float(number[1]))
    expected = 0.5 * first * (first / second) ** (1.0 / 3.0)
    return expected, expected * math.sqrt(16.0 / 9.0 / first + 1.0 / 9.0 / second)


def _longest_row(repeated: npt.NDArray[np.bool_]) -> int:
    """Length in readings of the longest row of equal ones, at least 1."""
    ends = np.flatnonzero(np.concatenate(([True], ~repeated, [True])))
    return int(np.diff(ends).max())


def _dead_bits(codes: Ints, level_sd: float) -> tuple[int, ...]:
    """Low bits, well within the noise, that are the same in every reading."""
    within = [bit for bit in range(_BITS) if (1 << bit) <= level_sd]
    return tuple(bit for bit in within if len(np.unique((codes >> bit) & 1)) == 1)


def _density(codes: Ints, sd: float) -> tuple[tuple[int, ...], tuple[int, ...], int]:
    """Missing and sticky codes, and how many could be judged."""
    low, span = int(codes.min()), int(codes.max() - codes.min()) + 1
    if span > _WIDEST:
        return (), (), 0
    seen = np.bincount(codes - low, minlength=span).astype(np.float64)
    window = min(_MOST_WINDOW, max(1, int(sd / 3.0)))
    if span < 2 * window + 1:
        return (), (), 0
    below, above = _beside(seen, window)
    distance = 0.5 * (window + 1)
    expected = np.sqrt(below * above) * math.exp(0.5 * (distance / sd) ** 2)
    least = math.log(span / FALSE_ALARM) + 4.0
    judged = (expected > least) & (np.minimum(below, above) > 0.0)
    inner = seen[window:-window]
    scatter = 6.0 * np.sqrt(expected * (1.0 + 1.0 / window))
    missing = np.flatnonzero(judged & (inner == 0.0)) + window + low
    sticky = np.flatnonzero(judged & (inner > _STICKY * expected) & (inner > expected + scatter))
    return _as_codes(missing), _as_codes(sticky + window + low), int(np.count_nonzero(judged))


def _as_codes(found: npt.NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(int(code) for code in found)


def _beside(seen: Floats, window: int) -> tuple[Floats, Floats]:
    """Mean count of the ``window`` codes below and above each code that has as many on both sides."""
    sums = np.concatenate(([0.0], np.cumsum(seen)))
    means = (sums[window:] - sums[:-window]) / window
    return means[: seen.size - 2 * window], means[window + 1 :]
