"""The converter's readings as they come, summed up second by second; nothing is recorded."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from anviltrace.errors import RecordError
from anviltrace.link.events import Alive, Blocks, Event, Finished, Side
from anviltrace.link.sensors import Sensor
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anviltrace.records import ScaleKind, Settings

_BLOCKS_FOR_RATE = 4096
_MV_PER_V = 1e3


@dataclass(frozen=True, slots=True)
class Look:
    """The readings of a short stretch: ``end_s`` after the start, by samples.

    ``noise_counts`` is the standard deviation (n - 1), None for a single sample; whatever moved in that time
    is part of it. ``rate_hz`` is measured since the start against the board's clock, None until it can be.
    ``saturated`` samples lie at the converter's limit, ``lost`` ones never came.
    """

    end_s: float
    samples: int
    mean_counts: float
    noise_counts: float | None
    lowest_counts: int
    highest_counts: int
    rate_hz: float | None
    saturated: int
    lost: int
    sides: tuple[tuple[str, float, str], ...] = ()
    """Quantity, latest value and unit of each side channel that has brought one."""


def unit_per_count(settings: Settings) -> tuple[float, str] | None:
    """What a count is: in mV/V where that is known, else in mV, else None."""
    if settings.mv_per_v_per_count is not None:
        return settings.mv_per_v_per_count, "mV/V"
    if settings.scale_kind is ScaleKind.VOLTAGE:
        return _MV_PER_V * settings.full_scale / settings.full_scale_code, "mV"
    return None


def watch(
    session: Session, settings: Settings, every_s: float, tell: Callable[[Event], None]
) -> Generator[Look, None, None]:
    """Start a run and look at it every ``every_s`` seconds of samples until the caller stops asking.

    ``tell`` gets whatever else the board says. Closing the iterator stops the run. Raises RecordError when
    the board ends it, and what :meth:`Session.poll` raises.
    """
    gathered = _Gathered(settings, every_s, session.sensors)
    session.start(random.randrange(1, 1 << 16))
    try:
        while True:
            for event in session.poll():
                if isinstance(event, Blocks):
                    yield from gathered.take(event)
                elif isinstance(event, Finished):
                    raise RecordError(f"the board ended the run: {event.totals.reason_text}; start it again")
                elif isinstance(event, Side):
                    gathered.latest[event.sensor] = event.counts[-1]
                elif not isinstance(event, Alive):
                    tell(event)
    finally:
        if session.running:
            session.stop()


class _Gathered:
    """Blocks cut into stretches of equal length."""

    def __init__(self, settings: Settings, every_s: float, sensors: Sequence[Sensor] = ()) -> None:
        self._sensors = sensors
        self.latest: dict[int, npt.NDArray[np.int32]] = {}
        self._settings = settings
        self._stretch = max(1, round(every_s * settings.rate_hz))
        self._next_cut = self._stretch
        self._counts: list[npt.NDArray[np.int32]] = []
        self._blocks: deque[np.void] = deque(maxlen=_BLOCKS_FOR_RATE)
        self._lost = 0
        self._lost_before = 0

    def take(self, blocks: Blocks) -> Iterator[Look]:
        """Add blocks; give every stretch that is complete with them."""
        at = 0
        for row in blocks.table:
            counts = blocks.samples[at : at + int(row["count"])]
            at += len(counts)
            self._blocks.append(row)
            self._lost = int(row["lost"])
            first = int(row["first_index"])
            while first + len(counts) >= self._next_cut:
                here = max(0, self._next_cut - first)
                self._counts.append(counts[:here])
                counts, first = counts[here:], first + here
                yield from self._close()
            self._counts.append(counts)

    def _close(self) -> Iterator[Look]:
        end, self._next_cut = self._next_cut, self._next_cut + self._stretch
        counts, self._counts = np.concatenate(self._counts), []
        lost, self._lost_before = self._lost - self._lost_before, self._lost
        if len(counts):
            look = _look(counts, self._settings, end, self._rate_hz(), lost)
            yield replace(look, sides=self._side_values())

    def _side_values(self) -> tuple[tuple[str, float, str], ...]:
        return tuple(
            (channel.quantity, channel.per_count * (int(count) - channel.zero_counts), channel.unit)
            for sensor in self._sensors
            for channel, count in zip(sensor.channels, self.latest.get(sensor.number, ()), strict=False)
        )

    def _rate_hz(self) -> float | None:
        table = np.array(self._blocks)
        first = table["first_index"].astype(np.int64)
        indices = np.concatenate((first, first + table["count"] - 1))
        ticks = np.concatenate((table["tick_first"], table["tick_last"])).astype(np.int64)
        order = np.argsort(indices, kind="stable")
        rate = measure_rate(indices[order], ticks[order])
        return None if rate is None else rate.hz


def _look(
    counts: npt.NDArray[np.int32], settings: Settings, end: int, rate_hz: float | None, lost: int
) -> Look:
    limits = (settings.saturation_low, settings.saturation_high)
    return Look(
        end_s=end / settings.rate_hz,
        samples=len(counts),
        mean_counts=float(counts.mean()),
        noise_counts=float(counts.std(ddof=1)) if len(counts) > 1 else None,
        lowest_counts=int(counts.min()),
        highest_counts=int(counts.max()),
        rate_hz=rate_hz,
        saturated=int(((counts <= limits[0]) | (counts >= limits[1])).sum()),
        lost=lost,
    )
