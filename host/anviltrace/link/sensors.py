"""The side sensors of a board as they describe themselves, and their samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from anviltrace.link.events import Side
from anvilwire import messages

_MILLI = 1e-3
_MICRO = 1e-6
_NANO = 1e-9
_SAMPLE_BYTES = 2


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity of a sensor. A count stands for (count − ``zero_counts``) · ``per_count`` in ``unit``.

    A sample shows what happened ``delay_s`` before it was ready, known to ±``delay_within_s``. What may be
    off is ``within_relative`` of a value and ``within_zero`` in the unit, both ±.
    """

    quantity: str
    unit: str
    per_count: float
    zero_counts: int
    saturation: tuple[int, int]
    delay_s: float
    delay_within_s: float
    within_relative: float
    within_zero: float


@dataclass(frozen=True, slots=True)
class Sensor:
    """A side sensor: what it is, and whether it answers; ``trouble`` says why it does not."""

    number: int
    name: str
    answers: bool
    trouble: str
    rate_hz: float
    registers: bytes
    channels: tuple[Channel, ...]

    def __str__(self) -> str:
        """``ina226: supply voltage, supply current, 213 S/s``."""
        if not self.answers:
            return f"{self.name}: does not answer ({self.trouble})"
        quantities = ", ".join(channel.quantity for channel in self.channels)
        return f"{self.name}: {quantities}, {self.rate_hz:.4g} S/s"


def sensor_from(fields: Mapping[str, Any]) -> Sensor:
    """The sensor in the fields of SENSOR_IS."""
    return Sensor(
        number=fields["sensor"],
        name=fields["name"],
        answers=bool(fields["ok"]),
        trouble=fields["text"],
        rate_hz=fields["rate_mhz"] * _MILLI,
        registers=fields["registers"],
        channels=tuple(_channel(row) for row in fields["channels"]),
    )


def _channel(row: Mapping[str, Any]) -> Channel:
    return Channel(
        quantity=row["quantity"],
        unit=row["unit"],
        per_count=row["per_count_nano"] * _NANO,
        zero_counts=row["zero_counts"],
        saturation=(row["saturation_low"], row["saturation_high"]),
        delay_s=row["delay_ns"] * _NANO,
        delay_within_s=row["delay_within_ns"] * _NANO,
        within_relative=row["within_ppm"] * _MICRO,
        within_zero=row["within_zero_nano"] * _NANO,
    )


def side_from(fields: Mapping[str, Any], payload: bytes) -> Side | None:
    """The samples of a SIDE message; None where its length contradicts its fields."""
    data = payload[messages.SIDE_HEADER_SIZE :]
    shape = (fields["count"], fields["channels"])
    if fields["sample_bytes"] != _SAMPLE_BYTES or len(data) != _SAMPLE_BYTES * shape[0] * shape[1]:
        return None
    return Side(
        sensor=fields["sensor"],
        first_index=fields["first_index"],
        tick=fields["tick"],
        late_us=fields["late_us"],
        lost=fields["lost"],
        counts=np.frombuffer(data, "<i2").astype(np.int32).reshape(shape),
    )
