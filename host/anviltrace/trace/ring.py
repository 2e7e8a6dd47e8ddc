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
from scipy.fft import next_fast_len, rfft

from anviltrace.trace.kernels import means_of_groups, three_taps
from anviltrace.trace.level import median

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[Any]

LEAST_RING_SD = 3.0
"""A ring weaker than this many standard deviations of the noise is none."""
LEAST_HZ = 150.0
"""What swings more slowly than any rig is hum, or a level on the move."""

_UNEXPLAINED = 0.7
_ENOUGH_RESTS, _ENOUGH_SAMPLES = 6, 4000
"""So many tell at which line something rings, and whether a ring explains what they hold."""
_FROM_S = 0.002
"""A blow is over this long after it last rose."""
_REST_S = 0.02
_MOST_RESTS = 24
LEAST_REST = 16
"""Samples of a rest that tell anything."""
_LAGS_IN_REST = 8
_SPECTRUM_PADDED = 2
"""Times the length of a rest; the line has to be found well enough to tell turns apart only."""
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
    """A record as means of ``length`` samples each; those that do not fill a mean are left out.

    ``noise`` is the standard deviation of its noise over that of the record. Where a ring was taken out the
    values before a blow know nothing of it; the blow itself is spread out by half a period of the ring, and
    its impulse is kept.
    """

    values: Floats
    length: int
    noise: float


@dataclass(frozen=True, slots=True)
class _Rests:
    """Stretches that ring, each less its mean: ``values``, shape (k, longest), with zeros behind the
    ``count`` samples of each; which of them are samples says ``inside``."""

    values: Floats
    count: Indices
    inside: npt.NDArray[np.bool_]

    @property
    def spread(self) -> Floats:
        """Standard deviation of each."""
        return np.asarray(np.sqrt(np.einsum("ij,ij->i", self.values, self.values) / self.count))

    def some(self, which: slice | npt.NDArray[np.bool_]) -> _Rests:
        """These of them."""
        return _Rests(self.values[which], self.count[which], self.inside[which])

    @property
    def few(self) -> _Rests:
        """At least six of them if there are, evenly chosen, and a few thousand samples."""
        most = min(self.count.size // _ENOUGH_RESTS, self.values.size // _ENOUGH_SAMPLES)
        return self.some(slice(None, None, max(1, most)))


def estimate_ring(
    values: Values, rate_hz: float, risen_index: Indices, noise_sd: float, known: Ring | None = None
) -> Ring | None:
    """The ring in the rests behind blows, or None where nothing rings noticeably.

    ``values``: shape (n,), contiguous, in any unit, ``noise_sd`` in the same; ``risen_index`` are samples
    at which blows have risen. Up to 24 rests of them are looked at. A ring that is ``known`` (as sampled) is
    taken as it is, unless something else rings: what does not fit it is estimated.
    """
    rests = _rests(values, rate_hz, risen_index)
    if not rests.count.size:
        return None
    spread = rests.spread
    usual_sd = median(spread)
    if usual_sd < LEAST_RING_SD * noise_sd / math.sqrt(2.0):
        return None
    usual = rests.some(spread <= 2.0 * usual_sd)
    if known is not None and _explains(known, usual, rate_hz):
        return known
    ring = _strongest_ring(usual, rate_hz)
    return ring if ring is not None and _explains(ring, usual, rate_hz) else None


def strongest_ring(rests: list[Floats], rate_hz: float) -> Ring | None:
    """The decaying sinusoid at the strongest line of ``rests``, stretches of at least 16 samples, mean 0.

    None where none fits, or it swings more slowly than :data:`LEAST_HZ`.
    """
    return _strongest_ring(_in_rows(rests), rate_hz)


def _strongest_ring(rests: _Rests, rate_hz: float) -> Ring | None:
    sinusoid = _sinusoid(rests, _strongest_turn(rests.few))
    if sinusoid is None:
        return None
    turn, decay = sinusoid
    ring = Ring(turn * rate_hz / (2.0 * math.pi), 1.0 / (decay * rate_hz))
    return ring if ring.frequency_hz > LEAST_HZ else None


def _explains(ring: Ring, rests: _Rests, rate_hz: float) -> bool:
    """Whether much less than the rests is left of them when the ring is taken out."""
    some = rests.few
    still = without_ring(some.values, rate_hz, ring)
    whole = np.arange(still.values.shape[1]) < (some.count // still.length)[:, np.newaxis]
    if not whole.any():  # a swing is longer than the rests
        return False
    return float(np.std(still.values[whole])) < _UNEXPLAINED * float(np.std(some.values[some.inside]))


def _rests(values: Values, rate_hz: float, risen_index: Indices) -> _Rests:
    """Stretches behind blows, evenly chosen among all."""
    after, most = round(_FROM_S * rate_hz), round(_REST_S * rate_hz)
    chosen = np.arange(0, risen_index.size, 1 + risen_index.size // _MOST_RESTS)
    first = risen_index[chosen] + after
    last = np.minimum(np.append(risen_index[1:], values.size)[chosen] - after, first + most)
    long = last - first >= LEAST_REST
    first, count = first[long], (last - first)[long]
    return _in_rows([values[begin:end] for begin, end in zip(first, first + count, strict=True)])


def _in_rows(stretches: list[Values]) -> _Rests:
    """Stretches less their means, one below the other."""
    count = np.array([stretch.size for stretch in stretches], dtype=np.int64)
    rows = np.zeros((count.size, int(count.max(initial=0))))
    for row, stretch in zip(rows, stretches, strict=True):
        row[: stretch.size] = stretch
    rows -= rows.sum(axis=1, keepdims=True) / count[:, np.newaxis]
    inside = np.arange(rows.shape[1]) < count[:, np.newaxis]
    rows[~inside] = 0.0
    return _Rests(rows, count, inside)


def _strongest_turn(rests: _Rests) -> float:
    """Turn in radians per sample of the strongest line in the mean spectrum of the rests."""
    length = int(next_fast_len(_SPECTRUM_PADDED * rests.values.shape[1], real=True))
    counts = rests.count[:1] if (rests.count == rests.count[0]).all() else rests.count
    phase = 2.0 * np.pi / (counts[:, np.newaxis] - 1) * np.arange(rests.values.shape[1])
    lines = rfft(rests.values * (0.5 - 0.5 * np.cos(phase)), length)
    power = (lines.real**2 + lines.imag**2).sum(axis=0)
    return 2.0 * math.pi * max(1, int(power.argmax())) / length


def _sinusoid(rests: _Rests, about: float) -> tuple[float, float] | None:
    """Turn (close to ``about``, in radians) and decay per sample, or None where no sinusoid fits.

    Least squares would take noise for decay; here samples still further back stand in for the noisy ones
    (instrumental variables), so that noise averages out.
    """
    lag = _lag(about, int(rests.count.min()) // _LAGS_IN_REST)
    longest = rests.values.shape[1]
    now, once, twice, *earlier = (
        rests.values[:, 4 * lag - back : longest - back] for back in range(0, 5 * lag, lag)
    )
    inside = rests.inside[:, 4 * lag :]
    earlier = [z * inside for z in earlier]
    (a, b, e), (c, d, f) = ([_product(z, one) for one in (once, twice, now)] for z in earlier)
    determinant = a * d - b * c
    if abs(determinant) < 1e-12 * max(abs(a), abs(b), abs(c), abs(d)) ** 2:
        return None
    first, second = (e * d - b * f) / determinant, (a * f - e * c) / determinant
    if not (-1.0 < second < 0.0 and first**2 < -4.0 * second):
        return None
    angle = math.acos(first / (2.0 * math.sqrt(-second)))
    turns = [(side * angle + 2.0 * math.pi * whole) / lag for side in (1, -1) for whole in range(lag + 1)]
    turn = min((turn for turn in turns if turn > 0.0), key=lambda turn: abs(turn - about))
    return turn, -0.5 * math.log(-second) / lag


def _product(one: Floats, other: Floats) -> float:
    return float(np.einsum("ij,ij->", one, other))


def _lag(turn: float, most: int) -> int:
    """The shortest lag in samples that makes about a quarter turn, on top of any half turns."""
    lags = np.arange(1, max(1, most) + 1)
    off = np.abs(np.cos(lags * turn))
    return int(lags[np.argmax(off < _WELL_TURNED) if (off < _WELL_TURNED).any() else off.argmin()])


def without_ring(values: Values, rate_hz: float, ring: Ring) -> Still:
    """``values`` (shape (..., n), along the last axis) with ``ring`` taken out, in the same unit.

    Means of as many samples as still show the ring well.
    """
    means = in_means(values, max(1, round(rate_hz / ring.frequency_hz / _PER_PERIOD)))
    if not means.values.shape[-1]:
        return means
    out = ring_filter(ring, rate_hz / means.length)
    still = three_taps(means.values, out.weights, out.lag, out.paired)
    return Still(still, means.length, out.noise * means.noise)


def in_means(values: Values, length: int) -> Still:
    """Means of ``length`` samples of ``values`` (shape (..., n), along the last axis), ring and all."""
    return Still(means_of_groups(values, length), length, length**-0.5)


@dataclass(frozen=True, slots=True)
class RingFilter:
    """Weights of the present value and of those ``lag`` and two lags back that leave nothing of a ring.

    Their sum is 1, or ½ where samples are close: then each value is ``paired`` with the one before.
    """

    weights: tuple[float, float, float]
    lag: int
    paired: bool

    @property
    def noise(self) -> float:
        """Standard deviation of white noise behind it, over that before it."""
        now, once, twice = self.weights
        if not self.paired:
            return math.hypot(now, once, twice)
        if self.lag > 1:
            return math.sqrt(2.0) * math.hypot(now, once, twice)
        return math.hypot(now, now + once, once + twice, twice)


def ring_filter(ring: Ring, rate_hz: float) -> RingFilter:
    """What takes ``ring`` out of a record: the relation with a lag of about a quarter turn.

    Values before a blow know nothing of it, those behind are spread out by half a period.
    """
    period = rate_hz / ring.frequency_hz
    lag = max(1, round(0.25 * period))
    radius, turn = ring.left_after(lag / rate_hz), 2.0 * math.pi * lag / period
    weights = 1.0, -2.0 * radius * math.cos(turn), radius**2
    paired = period >= _CLOSE
    whole = sum(weights) * (1.0 + paired)
    now, once, twice = (weight / whole for weight in weights)
    return RingFilter((now, once, twice), lag, paired)
