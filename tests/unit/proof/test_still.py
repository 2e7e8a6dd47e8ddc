"""Lines of a rig at rest: each planted fault has its line, and a sound rig passes them all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from readingatrest import SETTINGS, at_rest, counts_at_rest

from anviltrace.proof.limits import CheckLimits
from anviltrace.proof.lines import CheckLine, Verdict
from anviltrace.proof.sizes import Nominal, sizes_of
from anviltrace.proof.still import StillReading, judge_still
from anviltrace.records import ScaleKind, Settings

UV_PER_COUNT = 3906.25 / (1 << 23)


def lines(
    reading: StillReading, limits: CheckLimits | None = None, settings: Settings = SETTINGS
) -> dict[str, CheckLine]:
    found = judge_still(reading, sizes_of(settings, None, None), limits or CheckLimits())
    return {line.name: line for line in found}


def others(found: dict[str, CheckLine], *names: str) -> set[Verdict]:
    return {line.verdict for name, line in found.items() if name not in names}


def test_a_sound_rig_passes() -> None:
    found = lines(at_rest())
    assert others(found) == {Verdict.PASS}
    assert list(found) == [
        "saturation", "zero", "strays", "noise", "hum", "codes", "rate", "jitter", "samples", "drift"
    ]  # fmt: skip
    assert all(not line.advice for line in found.values())
    assert found["noise"].data["noise_sd_uv_per_v"] == pytest.approx(40.0 * UV_PER_COUNT, rel=0.02)


def test_noise_free_bits_are_those_of_the_formula() -> None:
    data = lines(at_rest())["noise"].data
    assert data["noise_free_bits"] == pytest.approx(np.log2(4000.0 / (6.6 * 40.0 * UV_PER_COUNT)), abs=0.03)
    assert data["noise_free_bits_full_scale"] == pytest.approx(np.log2(2**24 / (6.6 * 40.0)), abs=0.03)
    assert data["effective_bits"] == pytest.approx(data["noise_free_bits"] + np.log2(6.6))


@pytest.mark.parametrize(
    ("sd", "verdict"), [(40.0, Verdict.PASS), (4000.0, Verdict.LOOK), (20_000.0, Verdict.FAIL)]
)
def test_noise(sd: float, verdict: Verdict) -> None:
    """9 bits of ±2 mV/V are 2542 counts of standard deviation here, 7 bits 10,169."""
    line = lines(at_rest(counts_at_rest(sd=sd)))["noise"]
    assert line.verdict is verdict
    assert bool(line.advice) is (verdict is not Verdict.PASS)


def test_noise_far_above_the_converters_own() -> None:
    """15 bits are an HX711's at 80 S/s; noise of 12.9 bits is somebody else's."""
    settings = replace(SETTINGS, rate_hz=80.0)
    counts = counts_at_rest(seconds=5.0, sd=170.0)
    loud = at_rest(counts, settings=settings, converter="hx711", rate_hz=80.0)
    assert "about 15 bits" in lines(loud)["noise"].advice
    assert lines(replace(loud, converter="sixth"))["noise"].advice == ""


def test_a_knock_is_told_from_noise() -> None:
    counts = counts_at_rest()
    counts[7000:7100] += 4000
    line = lines(at_rest(counts))["noise"]
    assert line.verdict is Verdict.LOOK
    assert "as loud as the others" in line.advice


@pytest.mark.parametrize(
    ("zero_share", "verdict"),
    [(0.05, Verdict.PASS), (-0.15, Verdict.LOOK), (0.15, Verdict.LOOK), (-0.5, Verdict.FAIL)],
)
def test_zero(zero_share: float, verdict: Verdict) -> None:
    line = lines(at_rest(counts_at_rest(zero=zero_share * (1 << 23))))["zero"]
    assert line.verdict is verdict
    assert line.data["zero_share_of_full_scale"] == pytest.approx(zero_share, abs=1e-4)


def test_saturation() -> None:
    counts = counts_at_rest()
    counts[100:103] = SETTINGS.saturation_high
    line = lines(at_rest(counts))["saturation"]
    assert (line.verdict, line.reading) == (Verdict.FAIL, "3 of 20000 samples at the limit")


def test_strays_have_a_line_of_their_own_and_spoil_no_other() -> None:
    counts = counts_at_rest()
    counts[[3000, 9000]] = 0x3FFFFF, 0x1FFFFF
    found = lines(at_rest(counts))
    assert found["strays"].verdict is Verdict.LOOK
    assert found["strays"].reading == "2 single readings far off: 4194303, 2097151"
    assert others(found, "strays") == {Verdict.PASS}
    counts[::500] += 2000
    assert lines(at_rest(counts))["strays"].verdict is Verdict.FAIL


def test_a_knock_is_no_stray() -> None:
    counts = counts_at_rest()
    counts[7000:7100] += 4000
    assert lines(at_rest(counts))["strays"].verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("height_uv_per_v", "sd", "verdict"),
    [(0.002, 40.0, Verdict.PASS), (0.05, 40.0, Verdict.LOOK), (3.0, 40.0, Verdict.FAIL)],
)
def test_hum(height_uv_per_v: float, sd: float, verdict: Verdict) -> None:
    times = np.arange(20_000) / 1000.2
    hum = height_uv_per_v / UV_PER_COUNT * np.sin(2.0 * np.pi * 50.0 * times)
    line = lines(at_rest(counts_at_rest(sd=sd) + np.rint(hum)))["hum"]
    assert line.verdict is verdict
    if verdict is not Verdict.PASS:
        assert line.data["hum_uv_per_v"] == pytest.approx(height_uv_per_v, rel=0.03)
        assert "50.0" in line.reading
        assert "USB isolator" in line.advice


def test_hum_that_a_rate_cannot_show_never_passes() -> None:
    slow = at_rest(counts_at_rest(seconds=4.8), settings=replace(SETTINGS, rate_hz=80.0), rate_hz=80.0)
    line = lines(slow)["hum"]
    assert (line.verdict, line.reading) == (Verdict.NOT_DONE, "")
    assert "cannot be told: 80 samples a second show nothing above 40 Hz" in line.advice


def test_a_tone_where_hum_would_fold_to_wants_a_look() -> None:
    times = np.arange(4800) / 80.0
    hum = np.rint(50.0 * np.sin(2.0 * np.pi * 50.0 * times))
    folded = at_rest(
        counts_at_rest(seconds=4.8) + hum, settings=replace(SETTINGS, rate_hz=80.0), rate_hz=80.0
    )
    line = lines(folded)["hum"]
    assert line.verdict is Verdict.LOOK
    assert line.data["folded_hz"] == pytest.approx(30.0, abs=0.05)
    assert "stand at" in line.reading
    assert "it may be hum, but" in line.advice


@pytest.mark.parametrize(
    ("spoilt", "told"),
    [
        (lambda counts: counts & ~1, "bit 0 never changes"),
        (lambda counts: np.repeat(counts[:10_000], 2), "readings repeat the one before"),
        (lambda counts: np.where(counts == 5003, 5004, counts), "1 codes missing"),
    ],
)
def test_codes(spoilt, told: str) -> None:
    line = lines(at_rest(spoilt(counts_at_rest())))["codes"]
    assert line.verdict is Verdict.FAIL
    assert told in line.reading
    assert line.advice


@pytest.mark.parametrize(
    ("converter", "zero", "verdict"),
    [
        # the board's own ADC, sums of 25: code 2560 of 4096 is 12,800 counts (erratum RP2040-E11)
        ("ownadc", 12_800, Verdict.LOOK),
        ("ownadc", 12_600, Verdict.PASS),
        ("ownadc-rp2350", 12_800, Verdict.PASS),
        ("ads1220", 12_800, Verdict.PASS),
    ],
)
def test_a_zero_on_a_wide_code(converter: str, zero: int, verdict: Verdict) -> None:
    settings = replace(SETTINGS, full_scale_code=51_200)
    counts = counts_at_rest(sd=5.0, zero=zero)
    line = lines(at_rest(counts, settings=settings, converter=converter))["codes"]
    assert line.verdict is verdict
    assert ("noise does not show" in line.reading) is (verdict is Verdict.LOOK)


def test_codes_below_the_noise_are_withheld() -> None:
    line = lines(at_rest(counts_at_rest(sd=0.3)))["codes"]
    assert line.verdict is Verdict.NOT_DONE
    assert "below one code" in line.advice


@pytest.mark.parametrize(
    ("rate_hz", "converter", "verdict"),
    [
        (1000.9, "sixth", Verdict.PASS),
        (1002.0, "sixth", Verdict.LOOK),
        (1040.0, "hx711", Verdict.PASS),
        (1060.0, "hx711", Verdict.LOOK),
        (2000.0, "hx711", Verdict.FAIL),
    ],
)
def test_rate(rate_hz: float, converter: str, verdict: Verdict) -> None:
    assert lines(at_rest(rate_hz=rate_hz, converter=converter))["rate"].verdict is verdict


def test_rate_without_ticks() -> None:
    found = lines(at_rest(rate_hz=None, jitter_s=None))
    assert others({name: found[name] for name in ("rate", "jitter")}) == {Verdict.NOT_DONE}


@pytest.mark.parametrize(
    ("jitter_s", "verdict"), [(3e-6, Verdict.PASS), (4e-4, Verdict.LOOK), (2e-3, Verdict.FAIL)]
)
def test_jitter(jitter_s: float, verdict: Verdict) -> None:
    assert lines(at_rest(jitter_s=jitter_s))["jitter"].verdict is verdict


@pytest.mark.parametrize(("lost", "verdict"), [(0, Verdict.PASS), (5, Verdict.LOOK), (50, Verdict.FAIL)])
def test_lost_samples(lost: int, verdict: Verdict) -> None:
    line = lines(at_rest(lost=lost))["samples"]
    assert (line.verdict, line.reading) == (verdict, f"20000 came, {lost} lost")


@pytest.mark.parametrize(
    ("uv_per_v", "verdict"), [(0.1, Verdict.PASS), (-3.0, Verdict.LOOK), (30.0, Verdict.FAIL)]
)
def test_drift(uv_per_v: float, verdict: Verdict) -> None:
    counts = counts_at_rest() + np.rint(uv_per_v / UV_PER_COUNT * np.arange(20_000) / 60_000.0)
    line = lines(at_rest(counts))["drift"]
    assert line.verdict is verdict
    assert line.data["drift_per_min_uv_per_v"] == pytest.approx(uv_per_v, abs=0.02)


def test_drift_that_noise_hides_does_not_pass() -> None:
    line = lines(at_rest(counts_at_rest(sd=30_000.0)))["drift"]
    assert line.verdict is not Verdict.PASS


def test_of_a_recording_with_gaps_the_longest_stretch_is_looked_at() -> None:
    counts = counts_at_rest()
    found = lines(at_rest(pieces=(counts[:3000] + 9000, counts[3100:]), lost=100))
    assert found["drift"].data["seconds"] == pytest.approx(16.9, abs=0.1)
    assert found["samples"].verdict is Verdict.FAIL


def test_no_sample_at_all() -> None:
    (line,) = judge_still(at_rest(pieces=()), sizes_of(SETTINGS, None, None), CheckLimits())
    assert (line.name, line.verdict) == ("samples", Verdict.NOT_DONE)


def test_limits_of_the_workshop_hold() -> None:
    strict = CheckLimits(zero_look_share=1e-4, zero_fail_share=5e-4, rate_look_share=1e-5)
    found = lines(at_rest(), strict)
    assert (found["zero"].verdict, found["rate"].verdict) == (Verdict.FAIL, Verdict.LOOK)


def test_without_an_excitation_noise_and_drift_are_for_the_person_to_judge() -> None:
    volts = replace(SETTINGS, scale_kind=ScaleKind.VOLTAGE, full_scale=0.02, excitation_source="unknown")
    found = lines(at_rest(), settings=volts)
    assert (found["noise"].verdict, found["drift"].verdict) == (Verdict.LOOK, Verdict.LOOK)
    assert "noise-free bits of full scale" in found["noise"].reading


def test_torque_by_the_calibration_else_by_a_named_sensitivity() -> None:
    named = Nominal(2.0, 500.0)
    assert sizes_of(SETTINGS, 8000.0, named).nm == 1.0 / 8000.0
    by_name = sizes_of(SETTINGS, None, named)
    assert by_name.nm == pytest.approx(UV_PER_COUNT / 1000.0 * 250.0)
    assert by_name.nm_from == "a nominal 2 mV/V at 500 N·m"
    assert "neither" in sizes_of(SETTINGS, None, None).nm_from
    assert by_name.words(1000.0) == "1000 counts = 0.466 µV/V = 0.116 N·m"


def test_a_nominal_excitation_is_named() -> None:
    volts = replace(
        SETTINGS,
        scale_kind=ScaleKind.VOLTAGE, full_scale=0.078125, excitation_v=5.0, excitation_source="nominal",
    )  # fmt: skip
    sizes = sizes_of(volts, None, None)
    assert sizes.uv_per_v == pytest.approx(1e6 * 0.078125 / (1 << 23) / 5.0)
    assert sizes.uv_from == "a nominal excitation of 5 V"
