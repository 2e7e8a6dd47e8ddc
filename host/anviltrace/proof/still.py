"""What a recording of a rig at rest says of it, line by line. Pure: a recording in, lines out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.figures import bound, rounded, value_with_uncertainty
from anviltrace.metrics.steps import steps_of
from anviltrace.proof.limits import SPAN_MV_PER_V, CheckLimits
from anviltrace.proof.lines import CheckLine, Verdict, judged, not_done
from anviltrace.proof.sizes import Sizes
from anviltrace.records import Settings
from anviltrace.trace.codes import Codes, look_at_codes
from anviltrace.trace.drift import Drift, still_drift
from anviltrace.trace.level import ROUNDING_SD
from anviltrace.trace.noise import Noise, effective_bits, noise_free_bits, still_noise, strays
from anviltrace.trace.spectrum import Folded, MainsHum, mains_hum

Counts = npt.NDArray[np.int32]

EXPECTED_BITS = {
    ("hx711", 10.0): 15.9, ("hx711", 80.0): 15.0,
    ("ads1256", 1000.0): 12.5, ("ads1256", 2000.0): 12.0, ("ads1256", 3750.0): 11.5,
    ("ads1256", 7500.0): 11.1, ("ads1256", 15000.0): 10.7, ("ads1256", 30000.0): 10.6,
}  # fmt: skip
"""Noise-free bits of ±2 mV/V at 5 V and the highest gain a converter has by itself: the HX711 from 50 and
90 nV (its data sheet), the ADS1256 estimated from 27 nV at its lowest rate by the root of the bandwidth."""
_WORSE_BITS = 2.0
"""So far below that, the noise is no longer the converter's (a factor of four)."""
_MOST_NAMED = 4
_LEAST_JITTER_S = 10e-6
"""Ticks are whole microseconds, and an interrupt takes its time: less than this is nothing."""
_AGAIN = "leave rig, table and cable alone, and record again"


@dataclass(frozen=True)
class StillReading:
    """A recording of a rig at rest. ``pieces`` are its stretches between gaps, counts only.

    ``rate_hz`` and ``jitter_s`` are measured against the board's clock, None where that is not on record;
    ``lost`` samples never came.
    """

    pieces: tuple[Counts, ...]
    settings: Settings
    converter: str
    rate_hz: float | None
    jitter_s: float | None
    lost: int

    @cached_property
    def counts(self) -> Counts:
        """All samples there are."""
        return np.concatenate(self.pieces) if self.pieces else np.empty(0, np.int32)

    @cached_property
    def longest(self) -> Counts:
        """The longest stretch without a gap."""
        return max(self.pieces, key=len, default=np.empty(0, np.int32))

    @cached_property
    def strays(self) -> npt.NDArray[np.intp]:
        """Where single readings of the longest stretch lie far off."""
        return strays(self.longest)

    @cached_property
    def quiet(self) -> npt.NDArray[np.float64]:
        """The longest stretch, strays replaced by the reading before them: those have their own line."""
        counts = self.longest.astype(np.float64)
        for place in self.strays:
            counts[place] = counts[max(0, place - 1)]
        return counts

    @cached_property
    def noise(self) -> Noise | str:
        """Its noise, or why that cannot be told."""
        return still_noise(self.quiet, self.true_rate_hz)

    @cached_property
    def hum(self) -> MainsHum | Folded | str:
        """Mains hum in it, or why that cannot be told."""
        return mains_hum(self.quiet, self.true_rate_hz)

    @property
    def true_rate_hz(self) -> float:
        """The measured rate, else the nominal one."""
        return self.rate_hz or self.settings.rate_hz


def judge_still(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> list[CheckLine]:
    """All lines that need nothing but a recording at rest."""
    if not reading.counts.size:
        return [not_done("samples", "no sample came", "look at the converter's wiring, then check again")]
    looks: tuple[Callable[[StillReading, Sizes, CheckLimits], CheckLine], ...] = (
        _saturation, _zero, _strays, _noise, _hum, _codes, _rate, _jitter, _samples, _drift,
    )  # fmt: skip
    return [look(reading, sizes, limits) for look in looks]


def _saturation(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    counts, settings = reading.counts, reading.settings
    at_limit = (counts <= settings.saturation_low) | (counts >= settings.saturation_high)
    number = int(np.count_nonzero(at_limit))
    return CheckLine(
        "saturation",
        judged(fails=number > 0, looks=False),
        f"{number} of {counts.size} samples at the limit",
        "none",
        "a broken or exchanged wire of the bridge, a gain that is too high, or torque on the rig"
        if number
        else "",
        {"saturated": number, "samples": int(counts.size)},
    )


def _zero(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    zero = float(np.median(reading.counts))
    signed = zero / sizes.full_scale_code
    share = abs(signed)
    verdict = judged(fails=share > limits.zero_fail_share, looks=share > limits.zero_look_share)
    return CheckLine(
        "zero",
        verdict,
        f"{100.0 * signed:+.2f} % of full scale: {sizes.best(zero)}{sizes.torque(zero)}",
        f"±{100.0 * limits.zero_look_share:g} %, fails at ±{100.0 * limits.zero_fail_share:g} %",
        ""
        if verdict is Verdict.PASS
        else "joint slack, nothing on the rig? Else a lower gain, or a bridge out of balance",
        {**sizes.data("zero", zero), "zero_share_of_full_scale": signed},
    )


def _strays(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    counts, found = reading.longest, reading.strays
    verdict = judged(fails=found.size > limits.strays_fail_share * counts.size, looks=found.size > 0)
    some = ", ".join(str(int(code)) for code in counts[found[:_MOST_NAMED]])
    return CheckLine(
        "strays",
        verdict,
        f"{found.size} single readings far off" + (f": {some}" if found.size else ""),
        f"none, fails at {100.0 * limits.strays_fail_share:g} %",
        ""
        if verdict is Verdict.PASS
        else "torn on their way: shorter leads, a slower bus; 2^n − 1 of an HX711 is a reset in mid-reading",
        {"strays": int(found.size), "samples": int(counts.size)},
    )


def _noise(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    noise = reading.noise
    if isinstance(noise, str):
        return not_done("noise", noise)
    sd = max(noise.sd, ROUNDING_SD)
    data = {**sizes.data("noise_sd", noise.sd), **sizes.data("noise_sd_u", noise.u_sd)}
    data["noise_free_bits_full_scale"] = noise_free_bits(2.0 * sizes.full_scale_code, sd)
    data["effective_bits_full_scale"] = effective_bits(2.0 * sizes.full_scale_code, sd)
    data["loudest_stretch"] = noise.loudest
    words = sizes.words(noise.sd)
    if sizes.uv_per_v is None:
        words += f"; {data['noise_free_bits_full_scale']:.1f} noise-free bits of full scale"
        return CheckLine(
            "noise", Verdict.LOOK, words, "", "what a µV/V is here is not known: judge it yourself", data
        )
    bits = noise_free_bits(2000.0 * SPAN_MV_PER_V, sd * sizes.uv_per_v)
    data["noise_free_bits"] = bits
    data["effective_bits"] = effective_bits(2000.0 * SPAN_MV_PER_V, sd * sizes.uv_per_v)
    return _judge_noise(reading, noise, bits, limits, words, data)


def _judge_noise(
    reading: StillReading,
    noise: Noise,
    bits: float,
    limits: CheckLimits,
    words: str,
    data: dict[str, float | int | str | None],
) -> CheckLine:
    expected = EXPECTED_BITS.get((reading.converter, reading.settings.rate_hz))
    data["expected_bits"] = expected
    advice = ""
    if bits < limits.noise_look_bits:
        advice = "shield at one end, short twisted leads, away from chargers and motors; a lower rate"
    elif noise.loudest > noise.loudest_most:
        times = f"{noise.loudest:.1f} times as loud as the others"
        advice = f"a stretch of {noise.stretch_s:.2g} s was {times}: {_AGAIN}"
    elif expected is not None and bits < expected - _WORSE_BITS:
        advice = (
            f"the {reading.converter} alone has about {expected:g} bits at this rate and its highest gain: "
            "gain, leads, supply or earth make the rest"
        )
    return CheckLine(
        "noise",
        judged(fails=bits < limits.noise_fail_bits, looks=bool(advice)),
        f"{words}; {bits:.1f} noise-free bits",
        f"{limits.noise_look_bits:g} of ±{SPAN_MV_PER_V:g} mV/V, fails below {limits.noise_fail_bits:g}",
        advice,
        data,
    )


def _hum(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    found = reading.hum
    if isinstance(found, str):
        return not_done("hum", found)
    if isinstance(found, Folded):
        return _folded_hum(found, sizes)
    return _judge_hum(found, reading, sizes, limits)


def _folded_hum(found: Folded, sizes: Sizes) -> CheckLine:
    if not found.tones:
        return not_done(
            "hum", f"cannot be told: {found.reason}", "a faster rate shows it, where there is one"
        )
    tone = max(found.tones, key=lambda one: one.amplitude)
    seen = f"{sizes.best(tone.amplitude, 2.0 * tone.u_amplitude)} stand at {tone.hz:.2f} Hz"
    data = {"folded_hz": tone.hz, **sizes.data("folded", tone.amplitude)}
    advice = f"it may be hum, but {found.reason}. {_AGAINST_HUM[0].upper()}{_AGAINST_HUM[1:]}"
    return CheckLine("hum", Verdict.LOOK, seen, "", advice, data)


_AGAINST_HUM = "laptop on its battery or a USB isolator; one earth point; cable away from mains leads"


def _judge_hum(found: MainsHum, reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    limit = f"{100.0 * limits.hum_look_share:g} % of the noise, fails at {limits.hum_fail_uv_per_v:g} µV/V"
    data: dict[str, float | int | str | None] = {"hum_base_hz": found.base_hz if found.clear else None}
    data |= {f"hum_{round(tone.hz)}_hz_counts": tone.amplitude for tone in found.tones if tone.clear}
    if not found.clear:
        data |= sizes.data("hum_below", found.below)
        return CheckLine("hum", Verdict.PASS, f"none seen; below {_up(sizes, found.below)}", limit, "", data)
    data |= {**sizes.data("hum", found.amplitude), **sizes.data("hum_u", found.u_amplitude)}
    variance = 0.0 if isinstance(reading.noise, str) else reading.noise.sd**2
    share = min(1.0, 0.5 * found.amplitude**2 / variance) if variance else 1.0
    uv = math.nan if sizes.uv_per_v is None else sizes.uv_per_v * found.amplitude
    data["hum_share_of_noise"] = share
    verdict = judged(fails=uv > limits.hum_fail_uv_per_v, looks=share > limits.hum_look_share)
    words = sizes.best(found.amplitude, 2.0 * found.u_amplitude)
    where = f"at {found.base_hz:.2f} Hz" + (" and multiples" if _multiples(found) else "")
    return CheckLine(
        "hum",
        verdict,
        f"{words} {where}, {100.0 * share:.0f} % of the noise",
        limit,
        "" if verdict is Verdict.PASS else _AGAINST_HUM,
        data,
    )


def _multiples(found: MainsHum) -> bool:
    return any(tone.clear for tone in found.tones[1:])


def _up(sizes: Sizes, counts: float) -> str:
    """A bound, in the best unit there is."""
    if sizes.uv_per_v is None:
        return f"{bound(counts)} counts"
    return f"{bound(counts * sizes.uv_per_v)} µV/V"


def _codes(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    if words := _on_wide_code(reading):
        advice = "move the zero a little (the divider at the amplifier), and look again at noise and drift"
        return CheckLine("codes", Verdict.LOOK, words, "no fault", advice)
    found = look_at_codes(reading.longest)
    if isinstance(found, str):
        return not_done("codes", f"cannot be told: {found}")
    data: dict[str, float | int | str | None] = {
        "codes_tested": found.tested,
        "codes_missing": len(found.missing),
        "codes_sticky": len(found.sticky),
        "dead_bits": len(found.dead_bits),
        "repeats": found.repeats,
        "repeats_most": found.repeats_most,
        "longest_row": found.longest,
    }
    if not found.sound:
        told, advice = _what_is_wrong(found)
        return CheckLine("codes", Verdict.FAIL, told, "no fault", advice, data)
    tested = f"{found.tested} codes tested" if found.tested else "too few samples for single codes"
    words = f"none missing, sticky or stale; {tested}"
    return CheckLine("codes", Verdict.PASS, words, "no fault", "", data)


def _on_wide_code(reading: StillReading) -> str:
    """A converter on a code far wider than the others shows no noise and no drift; empty where it is not."""
    steps = steps_of(reading.converter, reading.settings.full_scale_code)
    if steps is None or steps.wide_at(float(np.median(reading.longest))) is None:
        return ""
    return f"the zero lies on a wide code of the converter ({bound(steps.width)} counts): noise does not show"


def _what_is_wrong(found: Codes) -> tuple[str, str]:
    """What the codes show, and what to do; one fault often brings the others with it."""
    if found.dead_bits:
        bits = ", ".join(str(bit) for bit in found.dead_bits)
        return (
            f"bit {bits} never changes (0 is the lowest)",
            "a bus that loses its last clock, or a scaled code",
        )
    if found.repeats > found.repeats_most or found.longest > found.longest_most:
        return (
            f"{found.repeats} readings repeat the one before (expected at most {found.repeats_most}), up to "
            f"{found.longest} in a row",
            "stale readings: the data-ready line, the bus speed, or a chip that stands still",
        )
    named, codes = ("missing", found.missing) if found.missing else ("sticky", found.sticky)
    some = ", ".join(str(code) for code in codes[:_MOST_NAMED])
    more = "" if len(codes) <= _MOST_NAMED else " ..."
    return (
        f"{len(found.missing)} codes missing and {len(found.sticky)} sticky of {found.tested} tested; "
        f"{named}: {some}{more}",
        "supply, reference and decoupling of the converter; a converter known for it: another zero or gain",
    )


def _rate(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    nominal = reading.settings.rate_hz
    if reading.rate_hz is None:
        return not_done("rate", "too few blocks to measure it: record longer")
    off, within = reading.rate_hz / nominal - 1.0, limits.rate_within(reading.converter)
    verdict = judged(fails=abs(off) > limits.rate_fail_share, looks=abs(off) > within)
    return CheckLine(
        "rate",
        verdict,
        f"{rounded(reading.rate_hz, 6)} S/s, {100.0 * off:+.3f} % of {nominal:g}",
        f"±{100.0 * within:g} %, fails at ±{100.0 * limits.rate_fail_share:g} %",
        "" if verdict is Verdict.PASS else "the rate strap or crystal; extra or missed data-ready edges",
        {"rate_hz": reading.rate_hz, "nominal_hz": nominal, "off_share": off},
    )


def _jitter(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    if reading.jitter_s is None:
        return not_done("jitter", "the board's ticks are not on record: only a fresh check measures it")
    period_s = 1.0 / reading.settings.rate_hz
    look_s = max(_LEAST_JITTER_S, limits.jitter_look_periods * period_s)
    fail_s = max(_LEAST_JITTER_S, limits.jitter_fail_periods * period_s)
    verdict = judged(fails=reading.jitter_s > fail_s, looks=reading.jitter_s > look_s)
    return CheckLine(
        "jitter",
        verdict,
        f"{_microseconds(reading.jitter_s)} from block to block",
        f"{rounded(1e6 * look_s, 2)} µs, fails at {rounded(1e6 * fail_s, 2)} µs",
        "" if verdict is Verdict.PASS else "a lower rate; nothing else on this board's interrupts",
        {"jitter_s": reading.jitter_s, "period_s": period_s},
    )


def _microseconds(time_s: float) -> str:
    """The board's ticks are whole microseconds: less than a tenth is nothing."""
    return "below 0.1 µs" if time_s < 1e-7 else f"{rounded(1e6 * time_s, 2)} µs"


def _samples(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:  # noqa: ARG001
    there = int(reading.counts.size)
    share = reading.lost / (there + reading.lost)
    verdict = judged(fails=share > limits.lost_fail_share, looks=reading.lost > 0)
    return CheckLine(
        "samples",
        verdict,
        f"{there} came, {reading.lost} lost",
        f"none lost, fails at {100.0 * limits.lost_fail_share:g} %",
        "" if verdict is Verdict.PASS else "another cable or port; a lower rate; see `archive show RUN`",
        {"samples": there, "lost": reading.lost},
    )


def _drift(reading: StillReading, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    found = still_drift(reading.quiet, reading.true_rate_hz)
    if isinstance(found, str):
        return not_done("drift", found)
    data = {**sizes.data("drift_per_min", found.per_minute), **sizes.data("drift_expanded", found.expanded)}
    data["seconds"] = found.seconds
    if sizes.uv_per_v is None:
        words = f"{value_with_uncertainty(found.per_minute, found.expanded or None)} counts in a minute"
        return CheckLine("drift", Verdict.LOOK, words, "", "what a µV/V is here is not known: judge it", data)
    return _judge_drift(found, sizes, limits, data)


def _judge_drift(
    found: Drift, sizes: Sizes, limits: CheckLimits, data: dict[str, float | int | str | None]
) -> CheckLine:
    assert sizes.uv_per_v is not None
    drift, expanded = sizes.uv_per_v * found.per_minute, sizes.uv_per_v * found.expanded
    advice = ""
    if abs(drift) > limits.drift_look_uv_per_v:
        advice = "let it warm up for a quarter of an hour; no draught, no hand, no lamp on the shaft"
    elif abs(drift) + expanded > limits.drift_look_uv_per_v:
        advice = "the noise leaves it open: record longer (--seconds)"
    carried = "" if found.seconds > 55.0 else f", from {found.seconds:.0f} s"
    return CheckLine(
        "drift",
        judged(fails=abs(drift) > limits.drift_fail_uv_per_v, looks=bool(advice)),
        f"{value_with_uncertainty(drift, expanded or None)} µV/V{sizes.torque(found.per_minute)} in a minute"
        f"{carried}",
        f"±{limits.drift_look_uv_per_v:g} µV/V, fails at ±{limits.drift_fail_uv_per_v:g}",
        advice,
        data,
    )
