"""Every worked number of device/WIRING.md, computed again from its formula.

Sources: torsion of a solid round shaft and strain at 45 degrees, and the full bridge with four active arms
(any text on strain gauges); full scales from the data sheets the drivers name; the shunt from the circuit,
here solved with its node voltages and not with the closed formula; a first-order lag behind a half sine by
its exact response.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from anviltrace.firmware import DEFAULT_PINS, USUAL_SENSOR_PINS

SHEAR_MODULUS_PA = 79.3e9
GAUGE_FACTOR = 2.0


@pytest.fixture(scope="module")
def text(root: Path) -> str:
    return (root / "device" / "WIRING.md").read_text(encoding="utf-8")


def shaft(torque_nm: float, diameter_mm: float) -> tuple[float, float, float]:
    """Stress in MPa, strain in µm/m, output in mV/V."""
    polar_m4 = math.pi * (diameter_mm * 1e-3) ** 4 / 32
    stress_pa = torque_nm * diameter_mm * 0.5e-3 / polar_m4
    strain = stress_pa / SHEAR_MODULUS_PA / 2
    return stress_pa * 1e-6, strain * 1e6, GAUGE_FACTOR * strain * 1e3


@pytest.mark.parametrize("diameter_mm", [16, 20, 25, 30])
def test_what_a_shaft_gives(text: str, diameter_mm: int) -> None:
    cells = [f"{diameter_mm} mm"]
    for torque_nm in (300, 600):
        stress_mpa, strain, output = shaft(torque_nm, diameter_mm)
        cells += [f"{stress_mpa:.0f} MPa", f"{strain:.0f} µm/m", f"{output:.2f} mV/V"]
    assert f"| {' | '.join(cells)} |" in text


def test_the_example_known_beforehand() -> None:
    """20 mm, 300 N·m: 191 MPa, 1204 µm/m, 2.41 mV/V, 5.17 million counts of an HX711 at gain 128."""
    stress_mpa, strain, output = shaft(300, 20)
    assert (round(stress_mpa), round(strain), round(output, 2)) == (191, 1204, 2.41)
    assert output / (500 / 128) * 2**23 == pytest.approx(5.17e6, rel=1e-3)


def test_the_diameter_for_a_strain(text: str) -> None:
    stated = re.search(r"For 600 N·m and 1,200 µm/m that is .* = ([\d.]+) mm\.", text)
    assert stated
    assert shaft(600, float(stated[1]))[1] == pytest.approx(1200, rel=0.005)


REFERENCE_PER_EXCITATION = {"HX711, NAU7802": 0.5, "ADS1220": 1.0, "ADS1256": 2 * 2.5 / 5.0, "own ADC": 0.5}
"""Full scale at gain 1: half the excitation; the reference; twice its own reference; half the reference."""


def test_full_scales(text: str) -> None:
    rows = re.findall(
        r"^\| ([A-Za-z0-9, ]*)\| [^|]*\| (\d+) \| ±([\d.]+) mV/V \| ([\d.]+) mV/V \|$", text, re.MULTILINE
    )
    converter = ""
    for name, gain, full_scale, share in rows:
        converter = name.strip() or converter
        expected = 1000 * REFERENCE_PER_EXCITATION[converter] / int(gain)
        assert float(full_scale) == pytest.approx(expected, abs=0.0005)
        assert float(share) == pytest.approx(0.8 * expected, abs=0.0005)
    assert len(rows) == 8


def test_the_worked_range(text: str) -> None:
    peak = shaft(600, 25)[2]
    shares = [round(100 * peak / full_scale) for full_scale in (500 / 128, 1000 / 128, 1000 / 64)]
    words = (
        f"That is {shares[0]} % of an HX711's range at gain 128 (but at 80 samples a second it sees no blow)"
    )
    assert f"{words}, {shares[1]} % of an ADS1220's at 128, {shares[2]} % of an ADS1256's at 64." in text
    assert f"{round(100 * shaft(600, 20)[2] / (500 / 128))} % at gain 128, so gain 64" in text


def test_leads_and_currents(text: str) -> None:
    assert f"takes {100 * (1 - 350 / 351):.3f} % of the span" in text
    assert f"5 V over 350 Ω is {5000 / 350:.1f} mA and {25e3 / 350:.0f} mW" in text
    assert f"1 kΩ gauges take {5000 / 1000:.1f} mA. 120 Ω gauges take {5000 / 120:.1f} mA" in text
    assert f"3.0 V gives {3000 / 350:.1f} mA through 350 Ω" in text


def peak_behind_lag(width_s: float, lag_s: float) -> float:
    """Largest output of a first-order lag during a half sine of height 1."""
    times_s = np.linspace(0.0, width_s, 200_001)
    turn = math.pi / width_s
    x, lag = turn * times_s, turn * lag_s
    response = (np.sin(x) - lag * np.cos(x) + lag * np.exp(-times_s / lag_s)) / (1 + lag**2)
    return float(response.max())


def test_the_filter(text: str) -> None:
    lag_s = 2 * 1e3 * 10e-9
    corner_hz = 1 / (2 * math.pi * lag_s)
    assert f"= {corner_hz * 1e-3:.2f} kHz; the time constant is {lag_s * 1e6:.0f} µs" in text
    losses = [100 * (1 - peak_behind_lag(width_s, lag_s)) for width_s in (0.5e-3, 1e-3)]
    assert (
        f"takes {losses[0]:.1f} % off the peak of a half-sine blow of 0.5 ms and {losses[1]:.1f} % off"
        in text
    )
    assert f"{20 * math.log10(math.hypot(1, 1.92e6 / corner_hz)):.0f} dB off" in text
    assert f"would take {100 * (1 - peak_behind_lag(0.5e-3, 10 * lag_s)):.0f} % off a blow of 0.5 ms" in text


def test_the_boards_own_adc(text: str) -> None:
    full_scale = 500 / 200
    assert f"takes {100 * 2 / full_scale:.0f} % of the range at gain 200" in text
    low_v, high_v = (3.3 * (0.5 + 200 * 1e-3 * part) for part in (-2.0, 2.0))
    assert f"swings from {low_v:.2f} to {high_v:.2f} V of 3.3 V" in text
    assert f"would pull it down to {3.3 * 350 / 550:.2f} V" in text
    lag_s = 270 * 100e-9
    corner_hz = 1 / (2 * math.pi * lag_s)
    assert f"at the pin: {lag_s * 1e6:.0f} µs, {corner_hz * 1e-3:.1f} kHz" in text
    assert corner_hz / 20_000 == pytest.approx(0.3, abs=0.01)
    losses = [100 * (1 - peak_behind_lag(width_s, lag_s)) for width_s in (0.5e-3, 1e-3)]
    assert f"takes {losses[0]:.1f} % off the peak of a half-sine blow of 0.5 ms and {losses[1]:.1f} %" in text
    kept = np.sinc(15e3 / 20e3) / math.hypot(1, 15e3 / corner_hz)
    assert f"leave {100 * kept:.0f} % of what lies at 15 kHz" in text
    step_uv_per_v = 2e3 * full_scale / 4096
    assert f"one is {step_uv_per_v:.1f} µV/V at gain 200" in text
    off = 7.85 * step_uv_per_v
    assert f"{off:.1f} µV/V, {100 * off / 1e3 / full_scale:.1f} % of full scale" in text
    wide = [abs(code - 2048) / 2048 * full_scale for code in (1536, 3584)]
    assert (
        f"at ±{wide[0]:.3f} and ±{wide[1]:.3f} mV/V for gain 200, {9.9 * step_uv_per_v:.0f} µV/V wide" in text
    )


@pytest.mark.parametrize(("shunt_ohm", "name"), [(100e3, "100 kΩ"), (59e3, "59 kΩ"), (20e3, "20 kΩ")])
def test_the_shunt(text: str, shunt_ohm: float, name: str) -> None:
    arm_ohm = 350 * shunt_ohm / (350 + shunt_ohm)
    out_of_balance = 350 / (350 + arm_ohm) - 0.5
    assert f"{name} gives {1000 * out_of_balance:.5f} mV/V" in text


def test_pins_are_those_of_the_script(text: str) -> None:
    rows = dict(re.findall(r"^\| ([a-z]+\d+|ownadc) \| ([a-z0-9 ,]+) \|$", text, re.MULTILINE))
    written = {
        name: {pin: int(number) for pin, number in (word.split() for word in row.split(", "))}
        for name, row in rows.items()
    }
    assert written == DEFAULT_PINS


def test_shunts_of_the_supply_sensor(text: str) -> None:
    """Ohm's law; ranges of the power monitors from their steps (data sheets, from memory)."""
    ohm = 0.5e-3
    assert (
        f"{1e3 * 40 * ohm:.0f} mV and takes {40**2 * ohm:.1f} W at 40 A, {100**2 * ohm:.0f} W at 100 A"
        in text
    )
    assert f"±{1e3 * 32_768 * 2.5e-6:.2f} mV, which is ±{32_768 * 2.5e-6 / ohm:.0f} A" in text
    assert f"±{1e3 * 32_768 * 5e-6:.2f} mV, or with `shunt_range=1` ±{1e3 * 32_768 * 1.25e-6:.2f} mV" in text
    assert f"At most {28_800 * 1.25e-3:.0f} V for an INA226, {27_200 * 3.125e-3:.0f} V for an INA238" in text


def test_pins_of_the_side_sensors(text: str) -> None:
    for kind, pins in USUAL_SENSOR_PINS.items():
        named = ", ".join(f"{name} {pin}" for name, pin in pins.items())
        (row,) = [line for line in text.splitlines() if re.match(rf"\| [^|]*\b{kind}\b", line)]
        assert named in row
