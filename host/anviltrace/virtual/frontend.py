"""The first filter stage of a converter: a sinc filter of some order that decimates a faster signal.

``order`` boxcars in a row, each one output period long, make the weighting of one output value: a
B-spline that reaches ``order`` periods back. The ADS1256's modulator feeds five (its data sheet: sinc5,
decimation by 64 at a quarter of the 7.68 MHz clock, 30 kS/s); the HX711 is modelled with four at its
output rate, which gives the four periods of settling in its data sheet, and so is the NAU7802, whose
filter is not known, at its fastest rate. The ADS1220 settles within one conversion, which is all that is
known: three boxcars as long as its fastest conversion together. A microcontroller's own ADC has no filter
but the RC before it; what it gives is averaged by the board's own script.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

import numpy as np
from scipy.interpolate import BSpline
from scipy.signal import lfilter

from anviltrace.tables import Limits
from anviltrace.virtual.wrench import Numbers

NOMINAL_REFERENCE_V = 2.5
"""Reference of the usual ADS1256 module; what the simulated chip reckons with."""
_ADS1256_HZ = 30_000.0
_NAU7802_HZ = 320.0
_ADS1220_HZ = 4_096_000 / 707
_OWNADC_HZ = 50_000.0
"""A tenth of the rate of its conversions; between two values they lie on a straight line."""
_SLOW_INNER_HZ = 48_000
_QUICK_INNER_HZ = 240_000


class ConverterName(StrEnum):
    """The converters the virtual rig has."""

    ADS1220 = "ads1220"
    ADS1256 = "ads1256"
    HX711 = "hx711"
    NAU7802 = "nau7802"
    OWNADC = "ownadc"


_FRONT_HZ = {
    ConverterName.ADS1220: _ADS1220_HZ,
    ConverterName.ADS1256: _ADS1256_HZ,
    ConverterName.NAU7802: _NAU7802_HZ,
    ConverterName.OWNADC: _OWNADC_HZ,
}
_QUICK = (ConverterName.ADS1220, ConverterName.ADS1256, ConverterName.OWNADC)
_ORDERS = {
    ConverterName.ADS1220: 3,
    ConverterName.ADS1256: 5,
    ConverterName.HX711: 4,
    ConverterName.NAU7802: 4,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter:
    """The converter as nature made it.

    ``rate_hz`` is what an HX711 module is strapped to (10 or 80; the others have none).
    ``clock_error_ppm`` is how much faster than nominal its clock runs. ``noise_nv`` is the input-referred
    noise of one first-stage value, rms. The others divide by their excitation; an ADS1256 does not, it
    divides by a reference of its own that may miss its nominal 2.5 V. ``filter_us`` is the time constant of
    the RC before an ownadc, ``amplifier_gain`` that of the amplifier before it. ``pio`` is the state machine
    that reads an HX711 or the fast rates of an ADS1256, none where it is left out.

    Faults on purpose: first-stage values come in steps of ``step_nv`` (0: none), and a share ``stale_share``
    of them only repeats the one before.
    """

    name: ConverterName
    excitation_v: Annotated[float, Limits(1.0, 12.0)]
    noise_nv: Annotated[float, Limits(0.0, 1e5)] = 0.0
    rate_hz: Annotated[int | None, Limits(10, 80)] = None
    pio: Annotated[int | None, Limits(0, 11)] = None
    clock_error_ppm: Annotated[float, Limits(-100_000.0, 100_000.0)] = 0.0
    step_nv: Annotated[float, Limits(0.0, 1e6)] = 0.0
    stale_share: Annotated[float, Limits(0.0, 0.9)] = 0.0
    reference_v: Annotated[float, Limits(0.5, 2.6)] = NOMINAL_REFERENCE_V
    filter_us: Annotated[float, Limits(1.0, 1000.0)] = 27.0
    amplifier_gain: Annotated[int, Limits(1, 1000)] = 200

    @property
    def front_rate_hz(self) -> float:
        """True rate of first-stage values: nominal times the clock error."""
        return self._nominal_hz * (1.0 + 1e-6 * self.clock_error_ppm)

    @property
    def _nominal_hz(self) -> float:
        if self.rate_hz is not None:
            return float(self.rate_hz)
        return _FRONT_HZ[self.name]

    @property
    def decimation(self) -> int:
        """Simulation steps in one first-stage period: as many as make about 240 kHz, or 48 kHz if slow.

        A multiple of 8, which is the stride of the bench's slow changes.
        """
        inner_hz = _QUICK_INNER_HZ if self.name in _QUICK else _SLOW_INNER_HZ
        return 8 * max(1, round(inner_hz / self._nominal_hz / 8))

    @property
    def counts_per_mv_per_v(self) -> float:
        """First-stage counts for 1 mV/V: in 100 pV (ADS1256) or 10 pV/V (the others)."""
        if self.name is not ConverterName.ADS1256:
            return 1e8
        return 1e7 * self.excitation_v * NOMINAL_REFERENCE_V / self.reference_v

    @property
    def noise_counts(self) -> float:
        """Converter noise of one first-stage value in its counts, rms."""
        per_mv = self.counts_per_mv_per_v / self.excitation_v
        return 1e-6 * self.noise_nv * per_mv

    def spoil(self, counts: Numbers, last: float, random: np.random.Generator) -> Numbers:
        """First-stage values with the faults of this converter; ``last`` is the value before them."""
        if self.step_nv > 0.0:
            step = 1e-6 * self.step_nv * self.counts_per_mv_per_v / self.excitation_v
            counts = step * np.rint(counts / step)
        if self.stale_share > 0.0:
            whole = np.concatenate(([last], counts))
            fresh = np.concatenate(([True], random.random(counts.size) >= self.stale_share))
            counts = whole[np.maximum.accumulate(np.where(fresh, np.arange(whole.size), 0))][1:]
        return counts

    def filter(self) -> SincFilter | RcFilter:
        """The first filter stage, at rest at 0."""
        if self.name is ConverterName.OWNADC:
            return RcFilter(1e-6 * self.filter_us * self.front_rate_hz, self.decimation)
        return SincFilter(_ORDERS[self.name], self.decimation)


class SincFilter:
    """Decimates by ``decimation``; state runs on from call to call.

    Output n is the weighted mean of the inputs up to the end of block n, so its group delay is
    ``order``·period/2. The gain at zero frequency is 1.
    """

    def __init__(self, order: int, decimation: int) -> None:
        self.order, self.decimation = order, decimation
        self.taps = _spline_taps(order, decimation)
        self._weights = np.ascontiguousarray(self.taps.reshape(order, decimation)[:, ::-1].T)
        self._carry = np.zeros((order - 1, order))

    def settle(self, level: float) -> None:
        """As if the input had been ``level`` for ever."""
        self._carry[:] = level * self._weights.sum(axis=0)

    def push(self, signal: Numbers) -> Numbers:
        """One output per ``decimation`` inputs; ``signal`` must hold whole blocks, none give none."""
        blocks = signal.reshape(-1, self.decimation) @ self._weights
        count, order = blocks.shape[0], self.order
        parts = np.concatenate((self._carry, blocks))
        self._carry = parts[count:].copy()
        values = parts[order - 1 :, 0].copy()
        for back in range(1, order):
            values += parts[order - 1 - back : order - 1 - back + count, back]
        return values

    def magnitude(self, frequency_hz: float, input_rate_hz: float) -> float:
        """Amplitude ratio at one frequency of the input."""
        turns = np.arange(self.taps.size) * frequency_hz / input_rate_hz
        return float(abs(np.sum(self.taps * np.exp(-2j * np.pi * turns))))


class RcFilter:
    """A resistor and a capacitor, read every ``decimation`` inputs; state runs on from call to call.

    ``constant`` is the time constant in output periods. ``order`` is what a SincFilter of the same group
    delay has: twice that.
    """

    def __init__(self, constant: float, decimation: int) -> None:
        self.order, self.decimation = 2.0 * constant, decimation
        self._kept = math.exp(-1.0 / (constant * decimation))
        self._level = 0.0

    def settle(self, level: float) -> None:
        """As if the input had been ``level`` for ever."""
        self._level = level

    def push(self, signal: Numbers) -> Numbers:
        """One output per ``decimation`` inputs; ``signal`` must hold whole blocks, none give none."""
        if not signal.size:
            return np.empty(0)
        along, _ = lfilter([1.0 - self._kept], [1.0, -self._kept], signal, zi=[self._kept * self._level])
        self._level = float(along[-1])
        return np.asarray(along[self.decimation - 1 :: self.decimation])

    def magnitude(self, frequency_hz: float, input_rate_hz: float) -> float:
        """Amplitude ratio at one frequency of the input."""
        turn = np.exp(-2j * np.pi * frequency_hz / input_rate_hz)
        return float(abs((1.0 - self._kept) / (1.0 - self._kept * turn)))


def _spline_taps(order: int, decimation: int) -> Numbers:
    """``order``·``decimation`` weights, symmetric, with the sum 1: the B-spline at mid-interval points."""
    spline = BSpline.basis_element(np.arange(order + 1), extrapolate=False)
    taps = spline((np.arange(order * decimation) + 0.5) / decimation)
    return np.asarray(taps / taps.sum())
