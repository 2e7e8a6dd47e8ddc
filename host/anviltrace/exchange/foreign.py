"""A recording made elsewhere as whole counts on an even grid, read from a file of any kind we know.

Values become whole counts: those of a WAV file as they are, others in steps of a 2³⁰th of the largest, which
is finer than any recorder resolves. Samples that are missing, or no numbers, are left out of the grid.
Units that headings name must be those that were stated.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import LackingError, PlanError
from anviltrace.exchange.arrayfile import read_array
from anviltrace.exchange.columns import Columns, Wanted
from anviltrace.exchange.headings import time_unit_s, value_unit
from anviltrace.exchange.stated import KNOWN_UNITS, HowToRead
from anviltrace.exchange.tablefile import read_parquet
from anviltrace.exchange.textfile import read_text
from anviltrace.exchange.timeaxis import TimeAxis, check_rate, even, from_times
from anviltrace.exchange.wavefile import read_wave

Counts = npt.NDArray[np.int32]

NO_NUMBER = 9e37
"""SCPI-1999 has 9.9e37 stand for infinity, 9.91e37 for what is no number; some oscilloscopes write them."""
CODE = 2**30
"""Counts at the largest value of a recording in floating point."""
FLAT = 3
"""So many equal samples in a row at the extreme value, in as many places, look clipped."""
BEGINNING, FEW_STEPS = 0.02, 2
"""What the first samples read, this share of all, is the recorder at rest and no limit, within so many of its
steps: at rest a coarse recorder shows one and the same value for long."""

_READERS: dict[str, Callable[[Path, Wanted], Columns]] = {
    ".csv": read_text,
    ".txt": read_text,
    ".tsv": read_text,
    ".dat": read_text,
    ".wav": read_wave,
    ".parquet": read_parquet,
    ".npy": read_array,
    ".npz": read_array,
}


@dataclass(frozen=True, slots=True)
class Foreign:
    """A recording as it will be kept: ``index`` of each sample on an even grid, ``counts``, shape (n,) each.

    A count of ``full_scale_code`` is ``full_scale`` in the unit of the scale that is kept.
    """

    axis: TimeAxis
    index: npt.NDArray[np.int64]
    counts: Counts
    full_scale: float
    full_scale_code: int
    saturation: tuple[int, int]
    channel: str
    not_numbers: int
    whole_numbers: bool
    remark: str = ""

    @property
    def pieces(self) -> list[tuple[int, Counts]]:
        """The stretches without a gap: index of the first sample, counts."""
        breaks = np.flatnonzero(np.diff(self.index) > 1) + 1
        firsts = self.index[np.concatenate(([0], breaks)).astype(np.int64)].tolist()
        return list(zip(firsts, np.split(self.counts, breaks), strict=True))

    @property
    def saturated(self) -> int:
        """How many samples lie at the recorder's limit."""
        low, high = self.saturation
        return int(np.count_nonzero((self.counts <= low) | (self.counts >= high)))

    @property
    def extremes(self) -> tuple[float, float]:
        """The lowest and the highest value, in the unit of the scale that is kept."""
        step = self.full_scale / self.full_scale_code
        return float(self.counts.min() * step), float(self.counts.max() * step)

    def time_s(self, index: int) -> float:
        """The file's own time of a sample of the grid."""
        return self.axis.start_s + index / self.axis.rate_hz

    def first_at(self, time_s: float) -> int:
        """The first sample of the grid at or after a time."""
        return math.ceil((time_s - self.axis.start_s) * self.axis.rate_hz - 1e-6)

    def between(self, first: int, end: int) -> Counts:
        """The counts of a stretch of the grid, ``end`` not in it."""
        return self.counts[np.searchsorted(self.index, first) : np.searchsorted(self.index, end)]


def file_hash(path: Path) -> str:
    """The sha256 of a file, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_foreign(path: Path, wanted: Wanted, stated: HowToRead) -> Foreign:
    """Read a file by its ending; raises PlanError when it cannot be, or rate or full scale lack."""
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise PlanError(f"{path} ends in {path.suffix!r}; what can be read: {', '.join(_READERS)}")
    if not path.is_file():
        raise PlanError(f"{path} is no file: check the name")
    columns = reader(path, wanted)
    _must_agree(path, columns.channel, value_unit(columns.channel), stated.unit)
    axis = _axis(path, columns, stated)
    finite = np.abs(columns.values) < NO_NUMBER
    if not finite.any():
        raise PlanError(f"{path} holds no number in {columns.channel or 'its values'}: take another column")
    values, index = columns.values[finite], axis.index[finite]
    if np.all(values == values[0]):
        raise PlanError(f"{path}: all values are {values[0]:g}: take another column with --column")
    counts, full_scale, code, saturation = _as_counts(path, columns, values, stated)
    lost = len(finite) - len(values)
    whole = columns.full_scale_code is not None
    return Foreign(
        axis, index, counts, full_scale, code, saturation, columns.channel, lost, whole, columns.remark
    )


def _must_agree(path: Path, heading: str, said: str | None, stated: str) -> None:
    """Raises PlanError where a heading names another unit than was stated; one of our own says nothing."""
    if said is not None and stated in KNOWN_UNITS and said != stated:
        raise PlanError(
            f"{path}: the heading {heading!r} says {said}, not {stated} as stated: correct --unit, or the "
            "heading"
        )


def _axis(path: Path, columns: Columns, stated: HowToRead) -> TimeAxis:
    if columns.times is not None:
        axis = from_times(columns.times * _time_unit_s(path, columns, stated), f"{path}, {columns.clock}")
    elif columns.rate_hz is not None:
        axis = even(len(columns.values), columns.rate_hz)
    elif stated.rate_hz is not None:
        return even(len(columns.values), stated.rate_hz)
    else:
        raise LackingError(
            f"{path} does not say how fast it was sampled: give --rate in samples/s, or the column of times "
            "with --time-column if it has one",
            "rate_hz",
        )
    if stated.rate_hz is not None:
        check_rate(axis, stated.rate_hz, str(path))
    return axis


def _time_unit_s(path: Path, columns: Columns, stated: HowToRead) -> float:
    """Seconds in the unit of the times: as the file says, else as stated, else 1.

    Raises PlanError where file and statement differ.
    """
    said = columns.time_unit_s or time_unit_s(columns.clock)
    if said is not None and stated.time_unit_s not in (None, said):
        raise PlanError(
            f"{path}: the times in {columns.clock!r} have a unit of {said:g} s, not {stated.time_unit_s:g} s "
            "as stated: drop --time-unit, or correct the heading"
        )
    return said or stated.time_unit_s or 1.0


def _as_counts(
    path: Path, columns: Columns, values: npt.NDArray[np.generic], stated: HowToRead
) -> tuple[Counts, float, int, tuple[int, int]]:
    """Counts, full scale in the unit that is kept, its code, and the codes that nothing goes beyond."""
    code, full_scale = columns.full_scale_code, stated.full_scale
    if (code is not None or columns.of_full_scale) and full_scale is None:
        kind = "shares of a full scale" if code is None else f"whole numbers up to {code}"
        hint = f" (1 if they are in {stated.unit} already)" if code is None else ""
        raise LackingError(
            f"{path} holds {kind}: say with --full-scale what that is in {stated.unit}{hint}", "full_scale"
        )
    if code is not None and full_scale is not None:
        counts = values.astype(np.int32)
        return counts, full_scale * stated.factor, code, (-code, code - _step(counts))
    numbers = values.astype(np.float64)
    if columns.of_full_scale and full_scale is not None:
        numbers, full_scale = _of_full_scale(path, numbers, full_scale), None
    largest = float(np.abs(numbers).max())
    counts = np.rint(numbers * (CODE / largest)).astype(np.int32)
    limit = _limit(full_scale, largest)
    return counts, largest * stated.factor, CODE, limit or _flat_limits(counts)


def _step(counts: Counts) -> int:
    """The step of a recorder with fewer bits than the file: what all its numbers are multiples of."""
    bits = int(np.bitwise_or.reduce(counts))
    return bits & -bits


def _of_full_scale(path: Path, shares: npt.NDArray[np.float64], full_scale: float) -> npt.NDArray[np.float64]:
    """Raises PlanError where they cannot be shares; a full scale of 1 leaves numbers as they are."""
    largest = float(np.abs(shares).max())
    if full_scale != 1.0 and largest > 1.0:
        raise PlanError(
            f"{path} holds numbers up to {largest:g}, so 1 is not its full scale: give --full-scale 1 if "
            "they have their unit already"
        )
    return shares * full_scale


def _limit(full_scale: float | None, largest: float) -> tuple[int, int] | None:
    if full_scale is None:
        return None
    code = min(2**31 - 1, round(CODE * full_scale / largest))
    return -code, code


def _flat_limits(counts: Counts) -> tuple[int, int]:
    """The extreme counts themselves where the recording looks clipped there, else what none reaches."""
    low, high = int(counts.min()), int(counts.max())
    return (
        low if _is_flat(counts == low) and not _is_rest(counts, low) else low - 1,
        high if _is_flat(counts == high) and not _is_rest(counts, high) else high + 1,
    )


def _is_rest(counts: Counts, extreme: int) -> bool:
    step = int(np.diff(np.unique(counts)).min())
    rest = float(np.median(counts[: math.ceil(BEGINNING * len(counts))]))
    return abs(extreme - rest) <= FEW_STEPS * step


def _is_flat(at_extreme: npt.NDArray[np.bool_]) -> bool:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], at_extreme, [False]))))
    lengths = edges[1::2] - edges[::2]
    return int(np.count_nonzero(lengths >= FLAT)) >= FLAT
