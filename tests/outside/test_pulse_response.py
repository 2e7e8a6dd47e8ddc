"""What the simulated converters show of a blow, against a table worked out apart from them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from anviltrace.virtual.frontend import Converter, ConverterName

PHASES = 48
ROOT = Path(__file__).resolve().parents[2]


def _rows() -> list[dict[str, str]]:
    lines = (ROOT / "fixtures/published/pulse_response.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def _shown(converter: Converter, rate_hz: float, width_s: float) -> tuple[float, float]:
    """Largest sample of a pulse of height 1: mean and least over the phases of sampling."""
    inner_hz = converter.decimation * converter.front_rate_hz
    stages = round(converter.front_rate_hz / rate_hz)
    period = converter.decimation * stages
    blocks = 12 + int(np.ceil(width_s * inner_hz / period))
    largest = []
    for phase in np.linspace(0.0, period, PHASES, endpoint=False):
        times_s = (np.arange(blocks * period) - 3 * period - phase) / inner_hz
        inside = (times_s > 0.0) & (times_s < width_s)
        values = converter.filter().push(np.where(inside, np.sin(np.pi * times_s / width_s), 0.0))
        groups = values.reshape(-1, stages)
        # the ADS1256 averages what its first stage gives; the ADS1220 converts anew each time
        samples = groups[:, -1] if converter.name is ConverterName.ADS1220 else groups.mean(axis=1)
        largest.append(float(samples.max()))
    return float(np.mean(largest)), min(largest)


def _digits(text: str) -> float:
    """Half a step of the last digit given, and what so few phases and a front end in steps may miss."""
    return 0.5 * 10.0 ** -len(text.split(".")[1]) + 0.003


@pytest.mark.parametrize(
    "row", _rows(), ids=lambda row: f"{row['converter']}-{row['rate_hz']}-{row['width_ms']}"
)
def test_what_is_left_of_a_pulse(row: dict[str, str]):
    """fixtures/published/pulse_response.csv; the table knows the ADS1220's filter no better than we do."""
    name = ConverterName(row["converter"])
    strapped = int(row["rate_hz"]) if name is ConverterName.HX711 else None
    converter = Converter(name=name, excitation_v=5.0, rate_hz=strapped)
    mean, worst = _shown(converter, float(row["rate_hz"]), 1e-3 * float(row["width_ms"]))
    unknown = 0.01 if name is ConverterName.ADS1220 else 0.0
    assert mean == pytest.approx(float(row["mean"]), abs=_digits(row["mean"]) + unknown)
    assert worst == pytest.approx(float(row["worst"]), abs=_digits(row["worst"]) + unknown)
