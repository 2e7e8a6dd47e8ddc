"""The filters inside the converters, as chains of boxcars: what they take off a short pulse.

A sinc filter of order k that decimates to the rate r is k boxcars of the length 1/r in a row. The mean of n
of its outputs makes one of them n times as long. (ADS1256: TI data sheet SBAS288K, a sinc5 to 30 kS/s,
and the mean of 1 to 12,000 of its outputs. HX711: its data sheet says only that it settles in four outputs,
which a sinc4 does. The board's own ADC: its script averages conversions, 2 µs apart, over a whole sample;
the RC before it, whose time constant is the rest of the group delay, counts as the boxcar that widens a
pulse as much, √12 times that long.) A converter that is not listed (ADS1220, NAU7802: filters not known) is
taken as one boxcar of twice its group delay: of all symmetric filters of that length that fall towards
their ends it takes off the most.
"""

from __future__ import annotations

import math

ADS1256_SINC5_HZ = 30_000.0
OWN_CONVERSION_S = 2e-6


def boxcars_s(converter: str, rate_hz: float, group_delay_s: float) -> tuple[float, ...]:
    """Lengths in seconds of the boxcars that make the filter of ``converter`` at this rate; maybe none."""
    if converter == "ads1256":
        step_s = 1.0 / ADS1256_SINC5_HZ
        averaged = max(1, round(ADS1256_SINC5_HZ / rate_hz))
        return (*[step_s] * 4, averaged * step_s)
    if converter == "hx711":
        return (1.0 / rate_hz,) * 4
    if converter.startswith("ownadc"):
        time_constant_s = max(0.0, group_delay_s - 0.5 * (1.0 / rate_hz - OWN_CONVERSION_S))
        return (1.0 / rate_hz, math.sqrt(12.0) * time_constant_s)
    return (2.0 * group_delay_s,) if group_delay_s > 0.0 else ()
