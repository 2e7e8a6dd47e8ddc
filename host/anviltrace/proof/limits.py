"""The limits of the check, each with its reason; a workshop may set its own in a TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from anviltrace.tables import Limits, read_table, read_toml, refuse_unknown

SPAN_MV_PER_V = 2.0
"""Output of a usual transducer at its rated torque, either way; noise and drift are seen against it."""
RATES_WITHIN = {"hx711": 0.05, "nau7802": 0.05, "ads1220": 0.06}
"""How far a converter's own clock may be off, as a share: HX711 and NAU7802 "several per cent" (from memory),
ADS1220 2 %, and its conversions take up to 3.6 % longer than its round rates say (2,121 clocks of
4.096 MHz at 2,000 S/s; its data sheet, from memory)."""
CRYSTAL_WITHIN = 0.001
"""The others run from a crystal: 0.1 % is ten times what a poor one is off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLimits:
    """Where a line stops to pass (``_look``) and where it fails (``_fail``). :data:`REASONS` says why there.

    ``_share`` is a share of 1, ``_bits`` noise-free bits of ±2 mV/V. What depends on the converter is None
    unless the workshop sets it.
    """

    zero_look_share: Annotated[float, Limits(0.0, 1.0)] = 0.10
    zero_fail_share: Annotated[float, Limits(0.0, 1.0)] = 0.20
    strays_fail_share: Annotated[float, Limits(0.0, 1.0)] = 0.001
    noise_look_bits: Annotated[float, Limits(1.0, 24.0)] = 9.0
    noise_fail_bits: Annotated[float, Limits(1.0, 24.0)] = 7.0
    hum_look_share: Annotated[float, Limits(0.0, 1.0)] = 0.25
    hum_fail_uv_per_v: Annotated[float, Limits(0.0, 1000.0)] = 2.0
    rate_look_share: Annotated[float | None, Limits(0.0, 1.0)] = None
    rate_fail_share: Annotated[float, Limits(0.0, 1.0)] = 0.10
    jitter_look_periods: Annotated[float, Limits(0.0, 100.0)] = 0.25
    jitter_fail_periods: Annotated[float, Limits(0.0, 100.0)] = 1.0
    lost_fail_share: Annotated[float, Limits(0.0, 1.0)] = 0.001
    drift_look_uv_per_v: Annotated[float, Limits(0.0, 1000.0)] = 1.0
    drift_fail_uv_per_v: Annotated[float, Limits(0.0, 1000.0)] = 10.0
    shunt_look_share: Annotated[float, Limits(0.0, 1.0)] = 0.005
    shunt_fail_share: Annotated[float, Limits(0.0, 1.0)] = 0.02
    ring_look_hz: Annotated[float, Limits(1.0, 100_000.0)] = 1500.0

    def rate_within(self, converter: str) -> float:
        """How far the rate of this converter may be off without a word, as a share."""
        if self.rate_look_share is not None:
            return self.rate_look_share
        return RATES_WITHIN.get(converter, CRYSTAL_WITHIN)


REASONS = {
    "saturation": "a reading at the converter's limit says only “more”",
    "zero": "peaks are to stay below 80 % of full scale: the zero may not use up the rest (our rule)",
    "strays": "normal noise makes none in a lifetime: 12 standard deviations",
    "noise": "9 bits of ±2 mV/V: peak-to-peak noise is 0.2 % of the span; 7 bits: 0.8 % (our rule)",
    "hum": "a quarter of the noise's variance, as metrics flag it; 2 µV/V are 0.1 % of 2 mV/V (our rule)",
    "codes": "a sound converter trips this once in 10,000 records at most (code density test)",
    "rate": "what the converter's clock may be off (data sheets, from memory); 10 % is another rate setting",
    "jitter": "an interrupt served a whole sample late misses the next one",
    "samples": "what is lost is kept as a gap, and a blow with a gap gets no peak",
    "drift": "1 µV/V is 0.05 % of 2 mV/V, of the order of a good calibration (our rule)",
    "polarity": "clockwise torque, seen from behind the tool, is positive",
    "shunt": "0.5 Ω of lead each way make 0.29 % with 350 Ω; a wrong gain or resistor far more (our rule)",
    "damping": "two ways to the same number; further apart the rig rings at two frequencies",
    "sensors": "what a sensor does not tell is missing from every run",
    "ring": "peaks are withheld where a rig swings fewer than 1.5 times within a blow: 1.5 kHz for 1 ms",
}
"""Why each limit is where it is, by the name of the line."""


def read_limits(path: Path) -> CheckLimits:
    """Limits from the table ``[limits]`` of a TOML file; what it leaves out stays as it is.

    Raises PlanError naming file, key, value and limit.
    """
    tables, _ = read_toml(path)
    for key in tables:
        refuse_unknown(key, {"limits": None}, str(path), "")
    return read_table(CheckLimits, tables.get("limits", {}), str(path), "limits")
