"""The codes that reach the archive's side of the link are those the converter's input asks for.

The input is what the bench rendered; the codes are computed from it here, independently of the simulated
chip, by the data sheet's formula (TI SBAS288K: average of sinc5 outputs, 1 LSB = 2·VREF/(PGA·(2^23 − 1))).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from anviltrace.link.events import Blocks
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Rotation

REFERENCE_UNITS = 2 * 2_500_000 * 10_000
"""2·VREF of a 2.5 V reference, in the 100 pV of the rendered values."""
FULL_SCALE_CODE = (1 << 23) - 1


def _expected_codes(values: np.ndarray[Any, Any], averaged: int, gain: int) -> np.ndarray[Any, Any]:
    sums = values[: len(values) // averaged * averaged].astype(np.int64).reshape(-1, averaged).sum(axis=1)
    full = averaged * REFERENCE_UNITS
    codes = (2 * sums * gain * FULL_SCALE_CODE + full) // (2 * full)
    return np.clip(codes, -FULL_SCALE_CODE - 1, FULL_SCALE_CODE)


def _stream(scenario: str, rate_hz: float, gain: int, seconds: float, query: str) -> tuple[Any, Any]:
    """Samples of a driven run, and everything the bench rendered."""
    port = open_port(f"virtual://{scenario}?seed=5{query}")
    with Session(port) as session:
        session.configure(rate_hz, gain)
        port.operator.seat("Ostrelby", "fresh pack")
        session.start(1)
        port.operator.drive(Rotation.CW)
        parts: list[Any] = []
        while sum(map(len, parts)) < seconds * rate_hz:
            for event in session.poll():
                if isinstance(event, Blocks):
                    assert (event.table["lost"] == 0).all()
                    parts.append(event.samples)
        rendered = port.board.rendered()
    return np.concatenate(parts), rendered


@pytest.mark.parametrize(
    ("scenario", "rate_hz", "averaged", "query"),
    [
        ("fishplate-held", 7500.0, 4, ""),
        ("fishplate-fast", 15000.0, 2, ""),
        ("fishplate-fast", 30000.0, 1, ""),
        ("fishplate-held", 7500.0, 4, "&interpreter=cpython"),
        ("fishplate-fast", 30000.0, 1, "&interpreter=cpython"),
    ],
)
def test_every_sample_is_the_code_of_its_input(
    scenario: str, rate_hz: float, averaged: int, query: str
) -> None:
    samples, rendered = _stream(scenario, rate_hz, 64, 2.0 if query else 4.0, query)
    assert samples.max() > 500_000  # blows are in it
    for offset in range(len(rendered) - averaged * len(samples) + 1):
        window = rendered[offset : offset + averaged * 64]
        if np.array_equal(_expected_codes(window, averaged, 64), samples[:64]):
            break
    else:
        pytest.fail("the first 64 samples are nowhere in the rendered input")
    window = rendered[offset : offset + averaged * len(samples)]
    np.testing.assert_array_equal(_expected_codes(window, averaged, 64), samples)
