"""The rate and gain that a builder chose hold where the host names none."""

from __future__ import annotations

from dataclasses import replace

import pytest

from anviltrace.errors import RefusedError
from anviltrace.firmware import DEFAULT_PINS, GAINS, RATES_HZ, BoardSettings, rates_hz
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual import protocol_virtual

SCENARIOS = {"ads1256": "fishplate-held", "hx711": "deadweight-hx711"}


@pytest.mark.parametrize("converter", SCENARIOS)
def test_the_host_knows_what_the_converters_offer(converter: str) -> None:
    with Session(open_port(f"virtual://{SCENARIOS[converter]}?interpreter=cpython")) as session:
        identity = session.identity
    assert {offer.gain for offer in identity.gains} == set(GAINS[converter])
    assert {offer.rate_hz for offer in identity.rates} <= set(map(float, RATES_HZ[converter]))
    offered = {offer.rate_hz for offer in identity.rates}
    assert offered == set(map(float, rates_hz(BoardSettings(converter=converter))))


def test_a_state_machine_brings_the_fast_rates_and_without_one_it_is_said_why() -> None:
    pins = DEFAULT_PINS["ads1256"] | {"pio": 0}
    with Session(open_port("virtual://fishplate-fast?interpreter=cpython")) as session:
        offered = {offer.rate_hz for offer in session.identity.rates}
    assert (
        offered == set(map(float, rates_hz(BoardSettings(pins=pins)))) == set(map(float, RATES_HZ["ads1256"]))
    )
    with Session(open_port("virtual://fishplate-held?interpreter=cpython")) as session:
        with pytest.raises(RefusedError, match=r"no rate of 30000 Hz without a PIO state machine .* as pio"):
            session.configure(30000.0)
        with pytest.raises(RefusedError, match="no rate of 31000 Hz: choose"):
            session.configure(31000.0)


def test_usual_rate_and_gain(interpreter: str, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = protocol_virtual.make_bench

    def made(*arguments: object) -> tuple[object, object]:
        bench, settings = plain(*arguments)
        return bench, replace(settings, usual_rate_hz=1000, usual_gain=32)

    monkeypatch.setattr(protocol_virtual, "make_bench", made)
    with Session(open_port(f"virtual://fishplate-held?interpreter={interpreter}")) as session:
        usual = session.configure()
        asked = session.configure(2.5, 64)
    assert (usual.rate_hz, usual.gain) == (1000.0, 32)
    assert (asked.rate_hz, asked.gain) == (2.5, 64)
