"""The board's own ADC behind an amplifier: driver, sums, losses, and what comes of it at the host."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from adcmodel import AdcModel, sums_of
from boardscripts import checks_of
from boardstream import stream, until_finished

from anviltrace import firmware
from anviltrace.link.events import BoardError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anviltrace.metrics.converter import boxcars_s
from anviltrace.records import Rotation
from anviltrace.trace.sampling import worst_peak_loss
from anviltrace.virtual.board import Fault
from anvilwire import messages as m

SCENARIO = "fishplate-ownadc"
SMALL = 1 << 30


@pytest.mark.parametrize("check", checks_of("drive_ownadc.py"))
def test_driver(run_check: Callable[..., str], check: str) -> None:
    run_check("drive_ownadc.py", check)


def test_a_run_of_20_000_samples_a_second(interpreter: str) -> None:
    # the tick counter wraps on the way; CPython makes 75,000 conversions a second, so it gets fewer
    quick = interpreter == "micropython"
    url = f"virtual://{SCENARIO}?seed=5&interpreter={interpreter}&ticks={SMALL - 700_000}"
    port = open_port(url)
    with Session(port) as session:
        identity = session.identity
        assert (identity.converter, identity.code_bits) == ("ownadc", 12)
        assert [rate.rate_hz for rate in identity.rates] == list(firmware.RATES_HZ["ownadc"])
        settings = session.configure()
        assert (settings.rate_hz, settings.gain, settings.full_scale) == (20_000.0, 200, 2.5)
        assert settings.full_scale_code == 25 * 2048
        assert settings.group_delay_s == pytest.approx(24e-6 + 27e-6)
        port.operator.seat("Ostrelby", "fresh pack")
        session.start(1)
        port.operator.drive(Rotation.CW)
        table, samples = stream(session, 16_000 if quick else 4_000)
        totals = session.stop()
    assert totals.lost == 0
    ticks = table["tick_first"].astype(np.int64)
    if quick:
        assert samples.max() > 20_000  # blows are in it
        assert (np.diff(ticks) < 0).sum() == 1
    rate = measure_rate(table["first_index"].astype(np.int64), ticks)
    assert rate is not None
    assert rate.hz == pytest.approx(20_000.0, rel=2e-5 if quick else 1e-4)


@pytest.mark.parametrize("rate_hz", firmware.RATES_HZ["ownadc"])
def test_saturation_is_told_with_the_limits_of_each_rate(tmp_path: Path, rate_hz: int) -> None:
    scenario = tmp_path / "over.toml"
    scenario.write_text(
        f'based_on = "{SCENARIO}"\n[transducer]\nsensitivity_mv_per_v_per_nm = 1.0\n'
        "[joint]\nretained_nm = 250.0\n",
        encoding="utf-8",
    )
    length = 500_000 // rate_hz
    with Session(open_port(f"virtual://{scenario}")) as session:
        settings = session.configure(float(rate_hz))
        assert (settings.saturation_low, settings.saturation_high) == (-2048 * length, 2047 * length)
        session.start(1)
        table, samples = stream(session, 512)
        totals = session.stop()
    assert (samples == settings.saturation_high).all()
    assert (table["flags"] & m.BLOCK_SATURATED).all()
    assert totals.saturated >= len(samples)


def test_a_silent_adc_ends_the_run_and_can_be_set_up_again(interpreter: str) -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5&interpreter={interpreter}")
    with Session(port) as session:
        session.configure()
        session.start(1)
        port.board.inject(Fault.CHIP_RESET)
        said, _ = until_finished(session)
        errors = [event.text for event in said if isinstance(event, BoardError)]
        assert "no conversion for 20 ms" in errors[0]
        assert "chip reset" in errors[-1]
        session.configure()
        session.start(2)
        stream(session, 2_000)
        assert session.stop().lost == 0


def test_a_fifo_that_ran_over_is_a_gap() -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5")
    with Session(port) as session:
        session.configure()
        session.start(1)
        stream(session, 1_000)
        port.board.inject(Fault.MISSED_READY, 2_500)
        table, _ = stream(session, 8_000)
        totals = session.stop()
    # 2,500 conversions are 100 samples; what the loop had not yet looked at before goes with them, and what
    # came until it looked again, at most 2 ms each
    assert 100 <= totals.lost <= 185
    first = table["first_index"].astype(np.int64)
    lost = first[1:] - first[:-1] - table["count"][:-1].astype(np.int64)
    assert lost.sum() == totals.lost
    assert (lost > 0).sum() == (table["flags"] & m.BLOCK_AFTER_LOSS > 0).sum()
    # time goes on: index over the rate is the tick, to a sample
    tick = table["tick_first"].astype(np.int64) - int(table["tick_first"][0])
    np.testing.assert_allclose(tick / 50.0, first - first[0], atol=1.0)


@pytest.mark.parametrize(("rate_hz", "length"), [(20_000.0, 25), (5_000.0, 100)])
def test_every_sample_is_the_sum_of_the_models_conversions(rate_hz: float, length: int) -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5")
    with Session(port) as session:
        session.configure(rate_hz)
        port.operator.seat("Ostrelby", "fresh pack")
        session.start(1)
        port.operator.drive(Rotation.CW)
        _, samples = stream(session, int(1.2 * rate_hz))
        rendered = port.board.rendered()
        assert session.stop().lost == 0
    assert samples.max() > 800 * length  # blows are in it
    model = AdcModel(SCENARIO)
    values = len(samples) * length // 10
    fitting = []
    for first in range(len(rendered) - values + 1):  # what was rendered before the run is passed over
        few = model.conversions(rendered[first : first + 8 * length // 10], start=2)
        if (sums_of(few, length) == samples[:8]).all():
            fitting.append(first)
    assert len(fitting) == 1
    every = model.conversions(rendered[fitting[0] : fitting[0] + values], start=2)
    np.testing.assert_array_equal(samples, sums_of(every, length)[: len(samples)])


def test_averages_have_the_noise_of_theory(tmp_path: Path) -> None:
    # noise_nv = 0: only the ADC's own, white, 1.01 steps (check_ownadc.py holds it against published figures)
    # and that of rounding to a step; the mean of n conversions has 1/sqrt(n) of it, their sum sqrt(n) times.
    # The few steps that noise reaches over are wider or narrower from chip to chip, so it varies somewhat
    scenario = tmp_path / "still.toml"
    scenario.write_text(
        f'based_on = "{SCENARIO}"\n[converter]\nname = "ownadc"\nexcitation_v = 3.3\nnoise_nv = 0.0\n'
        "[transducer]\nnoise_mv_per_v = 0.0\nhum_mv_per_v = 0.0\nzero_mv_per_v = 0.3\n"
        "zero_drift_mv_per_v_per_k = 0.0\n",
        encoding="utf-8",
    )
    found = []
    for rate_hz in (20_000, 2_000):
        with Session(open_port(f"virtual://{scenario}?seed=1")) as session:
            session.configure(float(rate_hz))
            session.start(1)
            _, samples = stream(session, 4_000)
            session.stop()
        found.append(samples[:4_000].std())
    assert found[0] == pytest.approx(np.sqrt(25) * np.sqrt(1.01**2 + 1.0 / 12.0), rel=0.15)
    assert found[1] / found[0] == pytest.approx(np.sqrt(10.0), rel=0.06)


@pytest.mark.parametrize(
    ("base_ms", "tabled_mean", "tabled_worst"),
    # largest sample over true peak with an ideal analogue stage, from a table of converters: 20 kS/s, points
    [(0.5, 0.995, 0.988), (1.0, 0.999, 0.997), (2.0, 1.0, 0.999), (5.0, 1.0, 1.0)],
)
def test_averages_against_half_sines(base_ms: float, tabled_mean: float, tabled_worst: float) -> None:
    # sums of 25 conversions 2 us apart, at every phase that conversions can have
    conversion_ms, length = 0.002, 25
    times = (
        np.arange(round(base_ms / conversion_ms) + 4 * length) * conversion_ms - 2 * length * conversion_ms
    )
    points, averages = [], []
    for phase in range(length):
        at = times + phase * conversion_ms
        pulse = np.where((at > 0.0) & (at < base_ms), np.sin(np.pi * at / base_ms), 0.0)
        whole = len(pulse) // length * length
        averages.append(pulse[:whole].reshape(-1, length).mean(axis=1).max())
        points.append(pulse[::length].max())
    # the table is of single points, which these reproduce; the average takes off sinc(1/2N) more
    assert np.mean(points) == pytest.approx(tabled_mean, abs=0.002)
    assert np.min(points) == pytest.approx(tabled_worst, abs=0.002)
    share = 0.05 / base_ms
    kept = np.sinc(0.5 * share)
    assert np.mean(averages) == pytest.approx(kept * np.mean(points), abs=0.001)
    assert np.min(averages) == pytest.approx(kept * np.cos(0.5 * np.pi * share), abs=0.001)
    # and that is what the metrics allow for: the worst phase of a point behind the average and the RC
    loss = worst_peak_loss(1e-3 * base_ms, 20_000.0, boxcars_s("ownadc", 20_000.0, 51e-6), parabola=False)
    assert float(loss) >= 1.0 - np.min(averages)


def test_a_silent_host_ends_a_run_and_the_adc_can_be_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    with Session(open_port(f"virtual://{SCENARIO}?seed=5")) as session:
        session.configure()
        session.start(1)
        monkeypatch.setattr(session._line, "beat", lambda: None)
        _, totals = until_finished(session)
        monkeypatch.undo()
        assert totals.reason == m.HOST_SILENT
        assert totals.next_index == pytest.approx(3 * 20_000, rel=0.05)  # 3 s by the board's own clock
        session.configure()
        session.start(2)
        stream(session, 1_000)
        assert session.stop().lost == 0
