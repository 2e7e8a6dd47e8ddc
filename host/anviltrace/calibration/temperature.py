"""Temperature at the start and the end of a calibration, and what to think of it. Pure functions.

The limits are those of practice guides for torque calibrations, from memory: 18 °C to 28 °C, and no more
than 1 K of change. Outside them the sensitivity of gauges and the length of the arm may differ from those
in use; they are flagged, never refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.records import Temperature

TRANSDUCER = "transducer"
"""The place that counts: the gauges follow the metal they are glued to."""
LEAST_C = 18.0
MOST_C = 28.0
MOST_CHANGE_K = 1.0
USUAL_WITHIN_K = 0.5
"""How well an ordinary thermometer is known where nothing else is said: ± a rectangular half width."""
NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class Temperatures:
    """The first temperature read before the last reading of a calibration, and the last read after it."""

    start: Temperature | None = None
    end: Temperature | None = None

    @property
    def change_k(self) -> float | None:
        """End less start in kelvin; None where one of them was not measured."""
        if self.start is None or self.end is None:
            return None
        return self.end.temperature_c - self.start.temperature_c

    @property
    def flags(self) -> tuple[str, ...]:
        """What lies outside the limits, in words."""
        found = [
            f"{one.temperature_c:g} °C at the {when}, not {LEAST_C:g} to {MOST_C:g} °C (limits from memory)"
            for when, one in (("start", self.start), ("end", self.end))
            if one is not None and not LEAST_C <= one.temperature_c <= MOST_C
        ]
        change_k = self.change_k
        if change_k is not None and abs(change_k) > MOST_CHANGE_K:
            found.append(
                f"the temperature changed by {change_k:+.1f} K from start to end, more than "
                f"{MOST_CHANGE_K:g} K (limit from memory)"
            )
        return tuple(found)

    @property
    def text(self) -> str:
        """Both and the change in words; the half width of what is known about each stands after ±."""
        if self.start is None and self.end is None:
            return NOT_MEASURED
        said = f"start {_text(self.start)}, end {_text(self.end)}"
        return said if self.change_k is None else f"{said}, change {self.change_k:+.1f} K"


def temperatures(taken: Sequence[Temperature], last_reading_at: str) -> Temperatures:
    """Sort the ``taken`` temperatures of a calibration; times are ISO 8601."""
    at_transducer = sorted((one for one in taken if one.place == TRANSDUCER), key=lambda one: one.taken_at)
    before = [one for one in at_transducer if one.taken_at < last_reading_at]
    after = [one for one in at_transducer if one.taken_at >= last_reading_at]
    return Temperatures(before[0] if before else None, after[-1] if after else None)


def _text(one: Temperature | None) -> str:
    return NOT_MEASURED if one is None else f"{one.temperature_c:.1f} °C (u {one.u_c:.2f} K)"
