"""The board's own ADC behind an amplifier: driver, sums, losses, and what comes of it at the host."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from anviltrace import firmware
from anviltrace.link.events import Blocks, BoardError, Finished
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anviltrace.records import Rotation
from anviltrace.virtual.board import Fault
from anvilwire import messages as m

SCENARIO = "fishplate-ownadc"
SMALL = 1 << 30
SCRIPT = Path(__file__).resolve().parent / "scripts" / "drive_ownadc.py"
CHECKS = re.findall(r"^def (\w+)\(\):", SCRIPT.read_text("utf-8"), re.MULTILINE)


@pytest.mark.parametrize("check", CHECKS)
def test_driver(root: Path, interpreter: str, run_script: Callable[..., str], check: str) -> None:
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    fakes = [silicon] if interpreter == "micropython" else [silicon / "cpython"]
    folders = [*fakes, root / "device", root / "protocol"]
    run_script(interpreter, SCRIPT, str(silicon), check, folders=folders)


def _stream(session: Session, count: int) -> tuple[Any, Any]:
    """Block headers and samples, at least ``count`` of them."""
    tables, parts = [], []
    while sum(map(len, parts)) < count:
        for event in session.poll():
            if isinstance(event, Blocks):
                tables.append(event.table)
                parts.append(event.samples)
    return np.concatenate(tables), np.concatenate(parts)


def _until_finished(session: Session) -> list[Any]:
    said: list[Any] = []
    while not any(isinstance(event, Finished) for event in said):
        said += session.poll()
    return said


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
        table, samples = _stream(session, 16_000 if quick else 4_000)
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
        table, samples = _stream(session, 512)
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
        said = _until_finished(session)
        errors = [event.text for event in said if isinstance(event, BoardError)]
        assert "no conversion for 20 ms" in errors[0]
        assert "chip reset" in errors[-1]
        session.configure()
        session.start(2)
        _stream(session, 2_000)
        assert session.stop().lost == 0


def test_a_fifo_that_ran_over_is_a_gap() -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5")
    with Session(port) as session:
        session.configure()
        session.start(1)
        _stream(session, 1_000)
        port.board.inject(Fault.MISSED_READY, 2_500)
        table, _ = _stream(session, 8_000)
        totals = session.stop()
    # 2,500 conversions are 100 samples; what the loop had not yet looked at goes with them
    assert 100 <= totals.lost <= 150
    first = table["first_index"].astype(np.int64)
    lost = first[1:] - first[:-1] - table["count"][:-1].astype(np.int64)
    assert lost.sum() == totals.lost
    assert (lost > 0).sum() == (table["flags"] & m.BLOCK_AFTER_LOSS > 0).sum()
    # time goes on: index over the rate is the tick, to a sample
    tick = table["tick_first"].astype(np.int64) - int(table["tick_first"][0])
    np.testing.assert_allclose(tick / 50.0, first - first[0], atol=1.0)
