"""The ring of the rig: how it decays in the rests between blows, and a record with it taken out.

After a blow a rig rings at its natural frequency. Sampled, a decaying sinusoid obeys
x[n] = 2·r·cos(φ)·x[n−L] − r²·x[n−2L], whatever its amplitude and phase (r and φ: decay and turn in L
samples), and so do means of blocks of samples of it. That relation, fitted to the rests, tells decay and
frequency; turned round, it makes a filter that leaves nothing of the ring and lets the level through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[Any]

LEAST_RING_SD = 3.0
"""A ring weaker than this many standard deviations of the noise is none."""
LEAST_HZ = 150.0
"""What swings more slowly than any rig is hum, or a level on the move."""

_UNEXPLAINED = 0.7
_ENOUGH_RESTS = 6
_FROM_S = 0.002
"""A blow is over this long after it last rose."""
_REST_S = 0.02
_MOST_RESTS = 24
LEAST_REST = 16
"""Samples of a rest that tell anything."""
_LAGS_IN_REST = 8
_WELL_TURNED = 0.6
"""The relation tells most where a lag makes a quarter turn; this much of |cos φ| is near enough."""
_PER_PERIOD = 8
"""Means of samples per period of the ring, when it is taken out; with ``_CLOSE`` two may be averaged."""

_CLOSE = 5.0


@dataclass(frozen=True, slots=True)
class Ring:
    """A decaying sinusoid: its frequency as sampled, and the time in which it falls to 1/e."""

    frequency_hz: float
    decay_s: float

    def left_after(self, seconds: float) -> float:
        """Share of the amplitude that is left."""
        return math.exp(-seconds / self.decay_s)


@dataclass(frozen=True, slots=True)
class Still:
    """A record with the ring taken out: one value for each ``length`` samples, of which it is the mean.

    ``noise`` is the standard deviation of its noise over that of the record. The values before a blow know
    nothing of it; the blow itself is spread out by half a period of the ring, its impulse is kept, and what
    happens at one time is centred ``delay`` values later.
    """

    values: Floats
    length: int
    noise: float
    delay: float


def estimate_ring(
    values: Values, rate_hz: float, risen_index: Indices, noise_sd: float, known: Ring | None = None
) -> Ring | None:
    """The ring in the rests behind blows, or None where nothing rings noticeably.

    ``values``: shape (n,), contiguous, in any unit, ``noise_sd`` in the same; ``risen_index`` are samples
    at which blows have risen. Up to 24 rests of them are looked at. A ring that is ``known`` (as sampled) is
    taken as it is, unless something else rings: what does not fit it is estimated.
    """
    rests = [rest - rest.mean() for rest in _rests(values, rate_hz, risen_index)]
    spread = np.array([float(np.std(rest)) for rest in rests])
    if not rests or float(np.median(spread)) < LEAST_RING_SD * noise_sd / math.sqrt(2.0):
        return None
    usual = [rest for rest, sd in zip(rests, spread, strict=True) if sd <= 2.0 * np.median(spread)]
    if known is not None and _explains(known, usual, rate_hz):
        return known
    ring = strongest_ring(usual, rate_hz)
    return ring if ring is not None and _explains(ring, usual, rate_hz) else None


def strongest_ring(rests: list[Floats], rate_hz: float) -> Ring | None:
    """The decaying sinusoid at the strongest line of ``rests``, stretches of at least 16 samples, mean 0.

    None where none fits, or it swings more slowly than :data:`LEAST_HZ`.
    """
    sinusoid = _sinusoid(rests, _strongest_turn(rests))
    if sinusoid is None:
        return None
    turn, decay = sinusoid
    ring = Ring(turn * rate_hz / (2.0 * math.pi), 1.0 / (decay * rate_hz))
    return ring if ring.frequency_hz > LEAST_HZ else None


def _explains(ring: Ring, rests: list[Floats], rate_hz: float) -> bool:
    """Whether much less than the rests is left of them when the ring is taken out."""
    some = rests[:: 1 + len(rests) // _ENOUGH_RESTS]
    still = [without_ring(rest, rate_hz, ring).values for rest in some]
    return float(np.std(np.concatenate(still))) < _UNEXPLAINED * float(np.std(np.concatenate(some)))


def _rests(values: Values, rate_hz: float, risen_index: Indices) -> list[Floats]:
    """Stretches behind blows, evenly chosen among all."""
    first, most = round(_FROM_S * rate_hz), round(_REST_S * rate_hz)
    ends = np.append(risen_index[1:], values.size) - first
    chosen = range(0, risen_index.size, 1 + risen_index.size // _MOST_RESTS)
    stretches = [values[risen_index[k] + first : min(ends[k], risen_index[k] + first + most)] for k in chosen]
    return [stretch.astype(np.float64) for stretch in stretches if stretch.size >= LEAST_REST]


def _strongest_turn(rests: list[Floats]) -> float:
    """Turn in radians per sample of the strongest line in the mean spectrum of the rests."""
    length = 4 * max(rest.size for rest in rests)
    power = np.zeros(length // 2 + 1)
    for rest in rests:
        power += np.abs(np.fft.rfft(rest * np.hanning(rest.size), length)) ** 2
    return 2.0 * math.pi * max(1, int(power.argmax())) / length


def _sinusoid(rests: list[Floats], about: float) -> tuple[float, float] | None:
    """Turn (close to ``about``, in radians) and decay per sample, or None where no sinusoid fits.

    Least squares would take noise for decay; here samples still further back stand in for the noisy ones
    (instrumental variables), so that noise averages out.
    """
    lag = _lag(about, min(rest.size for rest in rests) // _LAGS_IN_REST)
    left, right = np.zeros((2, 2)), np.zeros(2)
    for rest in rests:
        shifted = [rest[4 * lag - back : rest.size - back] for back in range(0, 5 * lag, lag)]
        now, once, twice, *earlier = shifted
        left += np.array([[z @ once, z @ twice] for z in earlier])
        right += np.array([z @ now for z in earlier])
    if abs(np.linalg.det(left)) < 1e-12 * float(np.abs(left).max()) ** 2:
        return None
    first, second = np.linalg.solve(left, right).tolist()
    if not (-1.0 < second < 0.0 and first**2 < -4.0 * second):
        return None
    angle = math.acos(first / (2.0 * math.sqrt(-second)))
    turns = [(side * angle + 2.0 * math.pi * whole) / lag for side in (1, -1) for whole in range(lag + 1)]
    turn = min((turn for turn in turns if turn > 0.0), key=lambda turn: abs(turn - about))
    return turn, -0.5 * math.log(-second) / lag


def _lag(turn: float, most: int) -> int:
    """The shortest lag in samples that makes about a quarter turn, on top of any half turns."""
    lags = np.arange(1, max(1, most) + 1)
    off = np.abs(np.cos(lags * turn))
    return int(lags[np.argmax(off < _WELL_TURNED) if (off < _WELL_TURNED).any() else off.argmin()])


def without_ring(values: Values, rate_hz: float, ring: Ring, averaged: bool = True) -> Still:
    """``values`` (shape (n,), contiguous) with ``ring`` taken out, in the same unit.

    ``averaged``: means of as many samples as still show the ring well, else one value for each sample.
    """
    length = max(1, round(rate_hz / ring.frequency_hz / _PER_PERIOD)) if averaged else 1
    whole = values.size // length * length
    means = np.zeros(whole // length)
    for place in range(length):
        means += values[place:whole:length]
    means /= length
    taps = _taps(ring, rate_hz / length)
    if not means.size:
        return Still(means, length, 1.0, 0.0)
    padded = np.concatenate((np.full(taps.size - 1, means[0]), means))
    still = np.convolve(padded, taps, mode="valid")
    delay = float(taps @ np.arange(taps.size))
    return Still(still, length, float(np.linalg.norm(taps)) / math.sqrt(length), delay)


def _taps(ring: Ring, rate_hz: float) -> Floats:
    """Weights of the present value and earlier ones that leave nothing of a ring; their sum is 1.

    The relation with a lag of about a quarter turn, and where samples are close the mean of two.
    """
    period = rate_hz / ring.frequency_hz
    lag = max(1, round(0.25 * period))
    radius, turn = ring.left_after(lag / rate_hz), 2.0 * math.pi * lag / period
    taps = np.zeros(2 * lag + 1)
    taps[[0, lag, 2 * lag]] = 1.0, -2.0 * radius * math.cos(turn), radius**2
    if period >= _CLOSE:
        taps = np.convolve(taps, [1.0, 1.0])
    return np.asarray(taps / taps.sum())
