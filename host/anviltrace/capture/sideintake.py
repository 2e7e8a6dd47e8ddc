"""From a board's side sensors to the side channels of a run, on the clock of its torque.

What came is written every second of the torque's time, each channel with its rate and start as the ticks tell
them by then; they are final when the run is over. A process that is killed loses a second of it at most.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from anviltrace.link.events import Side
from anviltrace.link.sensors import Channel, Sensor
from anviltrace.link.timebase import measure_rate, unwrap
from anviltrace.records import (
    OF_A_TOOL,
    Quantity,
    Run,
    Settings,
    SideChannel,
    Spread,
    new_id,
    now_utc,
)
from anvilwire.messages import TICK_HZ

Counts = npt.NDArray[np.int32]
Ints = npt.NDArray[np.int64]
Part = tuple[SideChannel, list[tuple[int, Counts]]]
"""A channel as known by now, and stretches of its samples that are new."""

_FEWEST_POINTS = 3
_TO_STANDARD = 1.0 / math.sqrt(3.0)
"""From the half width of a rectangular distribution."""
NOTICE = "side sensor"


WRITE_EVERY_S = 1.0
"""What a killed process loses of the side channels, at most."""


class SidesKeeper(Protocol):
    """Where the channels go: a recording of the archive."""

    def keep_sides(self, parts: Iterable[Part], rate_hz: float | None = None) -> None:
        """Keep what came of channels, and the rate of the torque as known by now."""

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:
        """Keep something worth knowing."""


@dataclass(frozen=True, slots=True)
class Line:
    """Time in seconds against index: ``start_s`` is that of index 0, ``u_s`` its standard uncertainty."""

    start_s: float
    rate_hz: float
    u_s: float
    measured: bool

    @classmethod
    def through(cls, index: Ints, seconds: npt.NDArray[np.float64], nominal_hz: float) -> Line:
        """The least-squares line; through too few points, or none that rises, one of the nominal rate."""
        x = index - index.mean()
        spread = float(x @ x)
        rise = float(x @ (seconds - seconds.mean())) / spread if spread else 0.0
        measured = len(index) >= _FEWEST_POINTS and rise > 0.0
        period_s = rise if measured else 1.0 / nominal_hz
        start_s = float(seconds.mean() - period_s * index.mean())
        left = seconds - start_s - period_s * index
        scatter_s = math.sqrt(float(left @ left) / max(1, len(index) - 2))
        lever = float(index.mean()) ** 2 / spread if measured else 0.0
        return cls(start_s, 1.0 / period_s, scatter_s * math.sqrt(1.0 / len(index) + lever), measured)


@dataclass(slots=True)
class _Taken:
    """What came of one sensor; ``pieces`` are not yet written. ``ids`` are those of its channels."""

    ids: list[str]
    next_index: int = 0
    lost: int = 0
    missing: int = 0
    pieces: list[tuple[int, Counts]] = field(default_factory=list)
    points: list[tuple[int, int, int]] = field(default_factory=list)
    begun_at: str = field(default_factory=now_utc)


class SideIntake:
    """Takes the side samples of one run that began at the board's tick ``start_tick``."""

    def __init__(self, run: Run, sensors: Sequence[Sensor], settings: Settings, start_tick: int) -> None:
        self._run = run
        self._sensors = {sensor.number: sensor for sensor in sensors}
        self._settings = settings
        self._start_tick = start_tick
        self._taken: dict[int, _Taken] = {}
        self._kept = False

    def take(self, side: Side) -> None:
        """Take a message; one that came before, or of a sensor nobody knows, is left out."""
        sensor = self._sensors.get(side.sensor)
        if sensor is None or side.counts.shape[1] != len(sensor.channels) or not len(side.counts):
            return
        taken = self._taken.setdefault(side.sensor, _Taken([new_id() for _ in sensor.channels]))
        if side.first_index < taken.next_index:
            return
        taken.missing += side.first_index - taken.next_index
        taken.lost = side.lost
        taken.pieces.append((side.first_index, side.counts))
        taken.next_index = side.first_index + len(side.counts)
        taken.points.append((taken.next_index - 1, side.tick, side.late_us))

    def write(self, keeper: SidesKeeper, torque_index: Ints, torque_ticks: Ints) -> None:
        """Write what came since the last time; ``torque_*``: indices and wrapping ticks of the torque."""
        if self._kept or not len(torque_index):
            return
        torque, jitter_s = self._torque_line(torque_index, torque_ticks)
        parts = [
            part
            for number, taken in self._taken.items()
            for part in self._parts(self._sensors[number], taken, torque, jitter_s)
        ]
        if not parts:
            return
        rate = measure_rate(torque_index, torque_ticks)
        keeper.keep_sides(parts, None if rate is None else rate.hz)
        for taken in self._taken.values():
            taken.pieces.clear()

    def keep(self, keeper: SidesKeeper, torque_index: Ints, torque_ticks: Ints) -> None:
        """Write the rest, once, and with it what is known of all clocks in the end, and what is missing."""
        if self._kept or not len(torque_index):
            return
        self.write(keeper, torque_index, torque_ticks)
        self._kept = True
        for number, sensor in self._sensors.items():
            taken = self._taken.get(number)
            if not sensor.answers:
                keeper.notice(NOTICE, f"{sensor.name} does not answer: {sensor.trouble}", 0)
            if taken is not None and taken.missing:
                words = f"{sensor.name}: {taken.missing} samples are missing, {taken.lost} of them never read"
                keeper.notice(NOTICE, words, 0)

    def _parts(self, sensor: Sensor, taken: _Taken, torque: Line, jitter_s: float) -> Iterator[Part]:
        """The channels of a sensor that the run keeps."""
        line, late_s = self._line(taken, sensor.rate_hz)
        known_s = math.hypot(line.u_s, torque.u_s, jitter_s, 0.5 * late_s * _TO_STANDARD)
        for place, channel in enumerate(sensor.channels):
            if self._run.kind not in OF_A_TOOL and channel.quantity != Quantity.TEMPERATURE:
                continue
            shows_s = line.start_s - channel.delay_s - (torque.start_s - self._settings.group_delay_s)
            record = self._record(sensor, channel, line, shows_s, known_s)
            yield replace(record, id=taken.ids[place], added_at=taken.begun_at), _joined(taken.pieces, place)

    def _record(
        self, sensor: Sensor, channel: Channel, line: Line, start_s: float, known_s: float
    ) -> SideChannel:
        rate = "" if line.measured else ", rate nominal: too few samples to measure it"
        note = (
            f"by the board's clock; delays taken out: {1e3 * channel.delay_s:.3g} ms of the sensor, "
            f"{1e3 * self._settings.group_delay_s:.3g} ms of the converter; registers "
            f"{sensor.registers.hex() or 'none'}{rate}"
        )
        return SideChannel(
            id=new_id(),
            run_id=self._run.id,
            quantity=channel.quantity,
            unit=channel.unit,
            rate_hz=line.rate_hz,
            start_s=start_s,
            start_u_s=math.hypot(known_s, channel.delay_within_s * _TO_STANDARD),
            per_count=channel.per_count,
            zero_counts=float(channel.zero_counts),
            u_relative=channel.within_relative * _TO_STANDARD,
            u_zero=channel.within_zero * _TO_STANDARD,
            spread=Spread.RECTANGULAR,
            saturation_low=channel.saturation[0],
            saturation_high=channel.saturation[1],
            added_at=now_utc(),
            sensor=sensor.name,
            note=note,
        )

    def _torque_line(self, index: Ints, ticks: Ints) -> tuple[Line, float]:
        """The converter's line, and its ticks' scatter: a loop that asks late is late on average, too."""
        seconds = self._since_start_s(ticks)
        line = Line.through(index - self._run.first_index, seconds, self._settings.rate_hz)
        left = seconds - line.start_s - (index - self._run.first_index) / line.rate_hz
        return line, float(np.std(left))

    def _line(self, taken: _Taken, nominal_hz: float) -> tuple[Line, float]:
        """A sensor's line through the middles of what is known of each tick, and how wide that is at most."""
        index, ticks, late_us = np.array(taken.points, dtype=np.int64).T
        late_s = late_us / TICK_HZ
        usual = late_s <= 2.0 * float(np.median(late_s))  # a board held up knows less for a while
        seconds = self._since_start_s(ticks) - 0.5 * late_s
        return Line.through(index[usual], seconds[usual], nominal_hz), float(late_s[usual].max())

    def _since_start_s(self, ticks: Ints) -> npt.NDArray[np.float64]:
        whole = unwrap(np.concatenate(([self._start_tick], ticks)))
        return np.asarray((whole[1:] - whole[0]) / TICK_HZ)


def _joined(pieces: list[tuple[int, Counts]], place: int) -> list[tuple[int, Counts]]:
    """One channel of the pieces, those that follow on each other together."""
    joined: list[tuple[int, list[Counts]]] = []
    expected = -1
    for first, counts in pieces:
        if first != expected:
            joined.append((first, []))
        joined[-1][1].append(counts[:, place])
        expected = first + len(counts)
    return [(first, np.concatenate(parts)) for first, parts in joined]
