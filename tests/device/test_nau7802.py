"""The NAU7802's driver on the simulated chip: settings, codes, rate, saturation, faults and recovery."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boardscripts import checks_of
from boardstream import stream, until_finished

from anviltrace import firmware
from anviltrace.link.events import BoardError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anviltrace.virtual.board import Fault
from anvilwire import messages as m


@pytest.mark.parametrize("check", checks_of("drive_nau7802.py"))
def test_driver(run_check: Callable[..., str], check: str) -> None:
    run_check("drive_nau7802.py", check)


def _codes(values: Any, gain: int) -> Any:
    """10 pV/V each; 2^23 codes are half a volt per volt over the gain."""
    codes = (2 * values.astype(object) * gain * 2**24 + 10**11) // (2 * 10**11)
    return np.clip(codes, -(2**23), 2**23 - 1).astype(np.int64)


def test_every_sample_is_the_code_of_its_input_and_the_rate_is_the_chips(interpreter: str) -> None:
    port = open_port(f"virtual://deadweight-nau7802?seed=5&interpreter={interpreter}")
    with Session(port) as session:
        assert session.identity.converter == "nau7802"
        offered = sorted(rate.rate_hz for rate in session.identity.rates)
        assert offered == sorted(firmware.RATES_HZ["nau7802"])
        session.configure(320.0, 128)
        session.start(1)
        table, samples = stream(session, 3200)
        rendered = port.board.rendered()
        session.stop()
    wanted = _codes(rendered, 128)
    starts = [at for at in range(len(wanted) - len(samples)) if (wanted[at : at + 32] == samples[:32]).all()]
    assert len(starts) == 1
    np.testing.assert_array_equal(samples, wanted[starts[0] : starts[0] + len(samples)])
    assert len(set(samples.tolist())) > 100
    rate = measure_rate(table["first_index"].astype(np.int64), table["tick_first"].astype(np.int64))
    assert rate is not None
    # the scenario's clock is 13,800 ppm slow
    assert rate.hz == pytest.approx(320.0 * (1.0 - 0.0138), rel=2e-4)


def test_an_input_beyond_full_scale_is_flagged(tmp_path: Path) -> None:
    scenario = tmp_path / "over.toml"
    scenario.write_text(
        'based_on = "deadweight-nau7802"\n[transducer]\nzero_mv_per_v = 1.9\nnoise_mv_per_v = 0.1\n'
        "sensitivity_mv_per_v_per_nm = 1.0\n[joint]\nretained_nm = 250.0\n",
        encoding="utf-8",
    )
    with Session(open_port(f"virtual://{scenario}")) as session:
        session.configure(320.0, 128)
        session.start(1)
        table, samples = stream(session, 64)
        totals = session.stop()
    assert (samples == 0x7FFFFF).all()
    assert (table["flags"] & m.BLOCK_SATURATED).all()
    assert totals.saturated >= len(samples)


@pytest.mark.parametrize("times", [1, 2])
def test_a_transfer_that_nobody_acknowledges_is_tried_again(interpreter: str, times: int) -> None:
    port = open_port(f"virtual://deadweight-nau7802?seed=5&interpreter={interpreter}")
    with Session(port) as session:
        session.configure(320.0)
        session.start(1)
        stream(session, 100)
        port.board.inject(Fault.UNACKNOWLEDGED, times)
        stream(session, 200)
        assert session.stop().lost == 0


def test_a_bus_that_broke_ends_the_run_and_a_chip_that_was_reset_can_be_set_up_again() -> None:
    for fault, words in ((Fault.CHIP_RESET, "chip reset"), (Fault.UNACKNOWLEDGED, "no answer on I2C")):
        port = open_port("virtual://deadweight-nau7802?seed=5")
        with Session(port) as session:
            session.configure(320.0)
            session.start(1)
            port.board.inject(fault)
            said, totals = until_finished(session)
            assert any(words in event.text for event in said if isinstance(event, BoardError))
            assert totals.reason == m.CONVERTER_FAULT
            if fault == Fault.CHIP_RESET:
                session.configure(320.0)
                session.start(2)
                _, samples = stream(session, 100)
                assert abs(np.median(samples)) < 2**22
                assert session.stop().lost == 0
