"""The spectrum of a rig at rest, and mains hum in it with an uncertainty.

Hum is looked for at 50 and 60 Hz and their multiples, the base anywhere within ±0.5 Hz (mains is kept to
1 %, EN 50160, from memory; a board's clock is much better). Each amplitude is that of a Hann-windowed
transform; its uncertainty is what noise of the strength found beside the line makes of it. A rate that is
too low folds the mains to another place, where it cannot be told from anything else: then the hum is
withheld, and what stands at that place is told. The short stretch before the blows of a run, in which such
lines run into one another, has ``hum``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import welch

from anviltrace.trace.hum import MAINS_HZ
from anviltrace.trace.sampling import folded_hz

Floats = npt.NDArray[np.float64]

HARMONICS = 5
SHOWN_SHARE = 0.45
"""Multiples above this share of the rate are left out: half of it is the end, and filters fall before."""
WITHIN_HZ = 0.5
FALSE_ALARM = 1e-4
"""Chance that noise alone passes for hum, at most."""
_SURE = 1.2
"""The noise beside a line is known to some 10 % only."""
_LONGEST_S = 10.0
"""Mains wanders: a longer stretch would smear it."""
_LEAST_S = 1.0
_PAD = 4
_NOTHING = 1e-30
"""A record without any noise has no hum either; this keeps it from being 0 of 0."""
_RESOLUTION_HZ = 0.5
_BESIDE_HZ = (1.5, 8.0)
"""Where the noise beside a line is taken from, as distance from it."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Amplitude spectral density, unit of the values per √Hz, at ``hz``; both shape (m,)."""

    hz: Floats
    density: Floats


@dataclass(frozen=True, slots=True)
class Tone:
    """A sinusoid; amplitude and standard uncertainty in the unit of the values; ``clear`` of the noise."""

    hz: float
    amplitude: float
    u_amplitude: float
    clear: bool


@dataclass(frozen=True, slots=True)
class MainsHum:
    """Hum at a base and its multiples. ``amplitude`` is the root of the sum of squares of the clear tones.

    ``clear`` is False where none stands out; then ``below`` is what hum there could be at most (95 %).
    """

    base_hz: float
    tones: tuple[Tone, ...]
    amplitude: float
    u_amplitude: float
    below: float

    @property
    def clear(self) -> bool:
        """Whether there is any hum."""
        return any(tone.clear for tone in self.tones)


@dataclass(frozen=True, slots=True)
class Folded:
    """The rate cannot show hum: why, and what stands out at the places where it would fold to."""

    reason: str
    tones: tuple[Tone, ...]


def spectrum(values: npt.ArrayLike, rate_hz: float) -> Spectrum:
    """Density of a record of at least 16 values, shape (n,), by Welch's method with half-Hz resolution.

    Zero and half the rate are left out: windows and detrending make them something else.
    """
    record: Floats = np.asarray(values, dtype=np.float64)
    length = min(record.size, max(16, round(rate_hz / _RESOLUTION_HZ)))
    hz, power = welch(record, rate_hz, "hann", length, detrend="linear")
    return Spectrum(np.asarray(hz[1:-1]), np.sqrt(power[1:-1]))


def mains_hum(values: npt.ArrayLike, rate_hz: float) -> MainsHum | Folded | str:
    """The hum in a record of a rig at rest, shape (n,); in words why not where the record is too short."""
    record: Floats = np.asarray(values, dtype=np.float64)
    if record.size < max(_LEAST_S * rate_hz, 64):
        return f"{record.size} samples are too few for a spectrum: record {max(1.0, 64 / rate_hz):.2g} s"
    part = record[: round(_LONGEST_S * rate_hz)]
    lines = _Lines(part, rate_hz)
    if max(MAINS_HZ) > SHOWN_SHARE * rate_hz:
        return _folded(lines, rate_hz)
    return max((_hum(lines, base_hz, rate_hz) for base_hz in MAINS_HZ), key=_strength)


class _Lines:
    """The transform of a record, finely enough to read amplitudes from."""

    def __init__(self, record: Floats, rate_hz: float) -> None:
        size = record.size
        x = np.arange(size) - 0.5 * (size - 1)
        departure = record - record.mean()
        departure = departure - x * (float(x @ departure) / float(x @ x))
        window = np.hanning(size + 1)[:-1]
        self.amplitudes = 2.0 / float(window.sum()) * np.abs(np.fft.rfft(window * departure, _PAD * size))
        self.step_hz = rate_hz / (_PAD * size)
        self.seconds = size / rate_hz

    def at(self, hz: Floats) -> Floats:
        """Amplitude at each frequency."""
        places = np.clip(np.rint(hz / self.step_hz).astype(np.int64), 0, self.amplitudes.size - 1)
        return np.asarray(self.amplitudes[places])

    def u_beside(self, hz: float, taken_hz: Floats) -> float:
        """Standard uncertainty of each part of an amplitude there, by the noise beside it.

        The square of what noise makes is distributed exponentially with the mean 2·u²; its median is
        ln 2 times that. Places near other lines (``taken_hz``) are left out.
        """
        near, far = _BESIDE_HZ
        grid = np.arange(-far, far, self.step_hz * _PAD) + hz
        width = max(near, 4.0 / self.seconds)
        apart = np.abs(grid[:, np.newaxis] - taken_hz).min(axis=1) > width
        fits = apart & (grid > width) & (grid < self.step_hz * (self.amplitudes.size - 1))
        if not fits.any():
            return math.inf
        squared = float(np.median(np.square(self.at(grid[fits]))))
        return math.sqrt(max(squared, _NOTHING) / (2.0 * math.log(2.0)))


def _hum(lines: _Lines, base_hz: float, rate_hz: float) -> MainsHum:
    """The hum at one base: the frequency within reach at which all multiples together are strongest."""
    orders = np.arange(1.0, HARMONICS + 1.0)
    orders = orders[orders * base_hz <= SHOWN_SHARE * rate_hz]
    u = np.array([lines.u_beside(order * base_hz, orders * base_hz) for order in orders])
    grid = base_hz + np.arange(-WITHIN_HZ, WITHIN_HZ, 0.5 * lines.step_hz)
    found = lines.at(grid[:, np.newaxis] * orders)
    best = int((np.square(found / u)).sum(axis=1).argmax())
    limit = _limit(lines, 2 * HARMONICS)
    tones = tuple(
        Tone(float(order * grid[best]), float(amplitude), float(one_u), bool(amplitude > limit * one_u))
        for order, amplitude, one_u in zip(orders, found[best], u, strict=True)
    )
    clear = [tone for tone in tones if tone.clear] or list(tones)
    amplitude = math.sqrt(sum(tone.amplitude**2 for tone in clear))
    weights = [tone.amplitude * tone.u_amplitude for tone in clear]
    u_all = math.sqrt(sum(weight**2 for weight in weights)) / amplitude if amplitude else 0.0
    below = math.sqrt(sum((tone.amplitude + 2.0 * tone.u_amplitude) ** 2 for tone in tones))
    return MainsHum(float(grid[best]), tones, amplitude, u_all, below)


def _limit(lines: _Lines, places: int) -> float:
    """How many uncertainties a tone must have, so that noise passes for one at :data:`FALSE_ALARM`."""
    tries = places * max(1.0, 2.0 * WITHIN_HZ * lines.seconds) * 2.0
    return _SURE * math.sqrt(2.0 * math.log(tries / FALSE_ALARM))


def _strength(hum: MainsHum) -> tuple[bool, float]:
    return hum.clear, max(tone.amplitude / tone.u_amplitude for tone in hum.tones)


def _folded(lines: _Lines, rate_hz: float) -> Folded:
    """What can be said at a rate that does not reach the mains."""
    places = [(base_hz, folded_hz(base_hz, rate_hz)) for base_hz in MAINS_HZ]
    told = " and ".join(f"{base_hz:g} Hz at {place:.1f} Hz" for base_hz, place in places)
    reason = (
        f"{rate_hz:.4g} samples a second show nothing above {0.5 * rate_hz:.3g} Hz; mains of {told} would "
        "look like anything else there"
    )
    tones = []
    for _, place in places:
        tone = _tone_near(lines, place)
        if tone is not None and tone.clear:
            tones.append(tone)
    return Folded(reason, tuple(tones))


def _tone_near(lines: _Lines, hz: float) -> Tone | None:
    """The strongest tone within reach of a frequency; None so near to zero that drift is there too."""
    if hz < WITHIN_HZ + 4.0 / lines.seconds:
        return None
    grid = hz + np.arange(-WITHIN_HZ, WITHIN_HZ, 0.5 * lines.step_hz)
    grid = grid[grid < lines.step_hz * (lines.amplitudes.size - 1)]
    found = lines.at(grid)
    best, u = int(found.argmax()), lines.u_beside(hz, np.array([hz]))
    return Tone(float(grid[best]), float(found[best]), u, bool(found[best] > _limit(lines, 2) * u))
