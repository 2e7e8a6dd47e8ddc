"""The ADS1220's driver on the simulated chip: settings, codes, rate, saturation, faults and recovery."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boardstream import stream, until_finished

from anviltrace import firmware
from anviltrace.link.events import BoardError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anviltrace.records import Rotation
from anviltrace.virtual.board import Fault
from anvilwire import messages as m

SCENARIO = "fishplate-ads1220"


def _codes(values: Any, gain: int) -> Any:
    """10 pV/V each; 2^23 codes are the excitation over the gain."""
    codes = (2 * values.astype(object) * gain * 2**23 + 10**11) // (2 * 10**11)
    return np.clip(codes, -(2**23), 2**23 - 1).astype(np.int64)


@pytest.mark.parametrize(
    ("rate_hz", "gain", "registers"),
    [
        # CONFIG0 AIN0-AIN1 and gain, CONFIG1 rate, mode, continuous, CONFIG2 REFP0: TI SBAS501
        (2000.0, 128, "0ed44000"),
        (1000.0, 1, "00c44000"),
        (600.0, 64, "0ca44000"),
        (20.0, 2, "02044000"),
    ],
)
def test_settings_are_applied_and_read_back(rate_hz: float, gain: int, registers: str) -> None:
    with Session(open_port(f"virtual://{SCENARIO}?seed=5")) as session:
        assert session.identity.converter == "ads1220"
        assert sorted(rate.rate_hz for rate in session.identity.rates) == sorted(firmware.RATES_HZ["ads1220"])
        assert sorted(offer.gain for offer in session.identity.gains) == list(firmware.GAINS["ads1220"])
        settings = session.configure(rate_hz, gain)
        assert settings.registers.hex() == registers


def test_every_sample_is_the_code_of_its_input_and_the_rate_is_the_chips(interpreter: str) -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5&interpreter={interpreter}")
    with Session(port) as session:
        settings = session.configure(2000.0, 128)
        port.operator.seat("Ostrelby", "fresh pack")
        session.start(1)
        port.operator.drive(Rotation.CW)
        table, samples = stream(session, 8000)
        rendered = port.board.rendered()
        assert session.stop().lost == 0
    assert samples.max() > 300_000  # blows are in it
    assert settings.group_delay_s == pytest.approx(2121 / 4.096e6 / 2)
    wanted = _codes(rendered, 128)
    # every third first-stage value ends a conversion of three
    starts = [
        at for at in range(len(wanted) - 3 * len(samples)) if (wanted[at : at + 96 : 3] == samples[:32]).all()
    ]
    assert len(starts) == 1
    np.testing.assert_array_equal(samples, wanted[starts[0] :: 3][: len(samples)])
    rate = measure_rate(table["first_index"].astype(np.int64), table["tick_first"].astype(np.int64))
    assert rate is not None
    # 2121 clock periods of 4.096 MHz (from memory of the data sheet), the scenario's clock 9300 ppm fast
    assert rate.hz == pytest.approx(4.096e6 / 2121 * 1.0093, rel=1e-4)


def test_an_input_beyond_full_scale_is_flagged(tmp_path: Path) -> None:
    scenario = tmp_path / "over.toml"
    scenario.write_text(
        f'based_on = "{SCENARIO}"\n[transducer]\nsensitivity_mv_per_v_per_nm = 1.0\n'
        "[joint]\nretained_nm = 250.0\n",
        encoding="utf-8",
    )
    with Session(open_port(f"virtual://{scenario}")) as session:
        session.configure(2000.0, 128)
        session.start(1)
        table, samples = stream(session, 512)
        totals = session.stop()
    assert (samples == 0x7FFFFF).all()
    assert (table["flags"] & m.BLOCK_SATURATED).all()
    assert totals.saturated >= len(samples)


def test_a_reset_chip_ends_the_run_and_can_be_set_up_again(interpreter: str) -> None:
    port = open_port(f"virtual://{SCENARIO}?seed=5&interpreter={interpreter}")
    with Session(port) as session:
        session.configure(2000.0)
        session.start(1)
        port.board.inject(Fault.CHIP_RESET)
        said, totals = until_finished(session)
        errors = [event.text for event in said if isinstance(event, BoardError)]
        assert "no data-ready" in errors[0]
        assert "chip reset" in errors[-1]
        assert totals.reason == m.CONVERTER_FAULT
        session.configure(2000.0)
        session.start(2)
        _, samples = stream(session, 1000)
        assert np.abs(samples).max() < 2**22
        assert session.stop().lost == 0
