"""Side channels of recordings made elsewhere: read from a file, put beside a run."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from anviltrace.archive.archive import Archive
from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Wanted
from anviltrace.exchange.foreign import Foreign, file_hash, read_foreign
from anviltrace.exchange.sidewish import SideWish
from anviltrace.records import OF_A_TOOL, Quantity, Run, SideChannel, Spread, new_id, now_utc

_SEEN_CLIPPED = (Quantity.HANDLE_X, Quantity.HANDLE_Y, Quantity.HANDLE_Z, Quantity.HANDLE_ROTATION)
"""Where equal samples at an extreme mean a limit: a supply at rest or a switch is flat without one."""
_NO_LIMIT = (-(2**31), 2**31 - 1)


@dataclass(frozen=True, slots=True)
class SideReading:
    """How a file with side channels is to be read: as for the torque, but in a unit of each one's own."""

    time_column: str = ""
    time_unit_s: float | None = None
    rate_hz: float | None = None
    full_scale: float | None = None
    unit: str = "its own unit"
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Read:
    """One side channel as read: what was wished for, and its samples."""

    wish: SideWish
    foreign: Foreign


def read_side(path: Path, wish: SideWish, reading: SideReading) -> Read:
    """Read one channel of a file; raises PlanError as :func:`read_foreign` does.

    A full scale is that of whole numbers: numbers in text have the unit of their own column.
    """
    if path.suffix.lower() != ".wav":
        reading = replace(reading, full_scale=None)
    return Read(wish, read_foreign(path, Wanted(wish.column, reading.time_column), reading))


def put_sides(
    archive: Archive,
    path: Path,
    run: Run,
    sides: list[Read],
    *,
    time_zero_s: float,
    within_s: float = 0.0,
    sensor: str = "",
    note: str = "",
) -> list[SideChannel]:
    """Put side channels beside a run.

    ``time_zero_s`` is the file's own time at which the run's first sample came, known to ±``within_s``.
    """
    digest, kept = file_hash(path), []
    for read in sides:
        channel = _channel(path, digest, run, read, time_zero_s, within_s, sensor, note)
        kept.append(archive.put_side(channel, read.foreign.pieces))
    return kept


def must_fit(run: Run, sides: list[Read], time_zero_s: float) -> None:
    """Raises PlanError where the run is not one of a tool, or a channel has no sample during it."""
    if run.kind not in OF_A_TOOL:
        raise PlanError(f"run {run.id[:8]} is a {run.kind} recording: name the run of a tool")
    rate_hz = run.rate_hz or 0.0
    length_s = (run.samples_total or run.samples) / rate_hz if rate_hz else math.inf
    for read in sides:
        first_s = read.foreign.time_s(int(read.foreign.index[0])) - time_zero_s
        last_s = read.foreign.time_s(int(read.foreign.index[-1])) - time_zero_s
        if last_s <= 0.0 or first_s >= length_s:
            raise PlanError(
                f"{read.wish.quantity} lasts from {first_s:.3f} to {last_s:.3f} s of the run, which lasts "
                f"{length_s:.3f} s: correct --offset"
            )


def _channel(
    path: Path,
    digest: str,
    run: Run,
    read: Read,
    time_zero_s: float,
    within_s: float,
    sensor: str,
    note: str,
) -> SideChannel:
    wish, foreign = read.wish, read.foreign
    low, high = foreign.saturation if _limited(read) else _NO_LIMIT
    return SideChannel(
        id=new_id(),
        run_id=run.id,
        quantity=wish.quantity,
        unit=wish.quantity.unit,
        rate_hz=foreign.axis.rate_hz,
        start_s=foreign.axis.start_s - time_zero_s,
        start_u_s=within_s / math.sqrt(3.0),
        per_count=foreign.full_scale / foreign.full_scale_code * wish.factor,
        zero_counts=0.0,
        u_relative=wish.within_relative / math.sqrt(3.0),
        u_zero=wish.within_zero / math.sqrt(3.0),
        spread=Spread.RECTANGULAR,
        saturation_low=low,
        saturation_high=high,
        added_at=now_utc(),
        sensor=sensor,
        file_name=path.name,
        file_hash=digest,
        column=foreign.channel,
        note=note,
    )


def _limited(read: Read) -> bool:
    """Whether the limits of the recording mean anything for this quantity; whole numbers have real ones."""
    return read.wish.quantity in _SEEN_CLIPPED or read.foreign.whole_numbers
