"""From the board's ticks to seconds: unwrapping, and the rate that the converter really ran at. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from anvilwire.messages import TICK_BITS, TICK_HZ

Ints = npt.NDArray[np.int64]
Ticks = TypeVar("Ticks", int, Ints)

_PERIOD = 1 << TICK_BITS
_HALF = _PERIOD >> 1


def ticks_since(later: Ticks, earlier: Ticks) -> Ticks:
    """Ticks from ``earlier`` to ``later``, numbers or arrays; right for less than half the period (537 s)."""
    return ((later - earlier + _HALF) & (_PERIOD - 1)) - _HALF


def unwrap(ticks: Ints) -> Ints:
    """Wrapping ticks as a count that goes on, starting at the first; neighbours less than 537 s apart."""
    if not len(ticks):
        return ticks.astype(np.int64)
    whole: Ints = ticks.astype(np.int64)
    return int(ticks[0]) + np.concatenate(([0], np.cumsum(ticks_since(whole[1:], whole[:-1]))))


@dataclass(frozen=True, slots=True)
class Rate:
    """The measured sample rate: ``hz`` with standard error ``se_hz``; ``jitter_s`` is the ticks' scatter."""

    hz: float
    se_hz: float
    jitter_s: float


def measure_rate(indices: Ints, ticks: Ints) -> Rate | None:
    """Least-squares rate from sample indices and the wrapping ticks at which those samples were ready.

    None for fewer than three different indices, or if time stands still: then no rate can be known.
    """
    index, first = np.unique(indices, return_index=True)
    if len(index) < 3:
        return None
    seconds = unwrap(ticks)[first] / TICK_HZ
    x = index - index.mean()
    y = seconds - seconds.mean()
    spread = float(x @ x)
    period_s = float(x @ y) / spread
    if period_s <= 0:
        return None
    residual = y - period_s * x
    jitter_s = float(np.sqrt(residual @ residual / (len(index) - 2)))
    hz = 1.0 / period_s
    return Rate(hz, hz * hz * jitter_s / spread**0.5, jitter_s)
