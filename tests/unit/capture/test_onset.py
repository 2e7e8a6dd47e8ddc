"""The onset on synthetic signals, at the rates of slow and fast converters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from workshop import workshop

from anviltrace.capture.onset import (
    Baseline,
    OnsetFinder,
    baseline,
    find_onset,
    floor_counts,
    last_activity,
)
from anviltrace.records import ScaleKind

RATES = [80.0, 2000.0, 7500.0, 30_000.0]
FLOOR = 1000.0
QUIET_S = 2.0
BLOWS_HZ = 40.0


def hammering(
    rate_hz: float,
    width_s: float,
    peak: float,
    drive_s: float = 1.0,
    level: float = 0.0,
    oversample: int = 16,
) -> np.ndarray:
    """Half-sine blows from QUIET_S on, each sample the mean over its period; then a retained level."""
    n = int((QUIET_S + drive_s + 0.5) * rate_hz) * oversample
    t = np.arange(n) / (rate_hz * oversample) - QUIET_S
    phase = np.mod(t, 1 / BLOWS_HZ) / width_s
    blows = np.where((t >= 0) & (t < drive_s) & (phase < 1), peak * np.sin(np.pi * np.minimum(phase, 1)), 0)
    rising = level * np.clip(t / drive_s, 0, 1)
    return np.maximum(blows, rising).reshape(-1, oversample).mean(axis=1)


def with_noise(signal: np.ndarray, sd: float, seed: int, offset: float = -12_345.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.round(signal + offset + rng.normal(0, sd, len(signal))).astype(np.int32)


def search(counts: np.ndarray, rate_hz: float, sign: int = 1, piece: int = 256) -> tuple[int | None, bool]:
    """Baseline from the quiet stretch, then the rest in pieces, as a run does it."""
    start = int((QUIET_S - 0.5) * rate_hz)
    finder = OnsetFinder(baseline(counts[:start], FLOOR), sign, rate_hz)
    for first in range(start, len(counts), piece):
        found = finder.feed(first, counts[first : first + piece])
        if found is not None:
            return found, finder.against_rotation
    return None, False


class TestOnset:
    @pytest.mark.parametrize("rate_hz", RATES)
    @pytest.mark.parametrize("seed", range(5))
    @pytest.mark.parametrize("level", [0.0, 300_000.0], ids=["returns to zero", "retained"])
    def test_first_blow_is_found_within_two_samples(self, rate_hz: float, seed: int, level: float) -> None:
        counts = with_noise(hammering(rate_hz, 1.5e-3, 500_000, level=level), 60, seed)
        found, against = search(counts, rate_hz)
        assert found is not None
        assert abs(found - QUIET_S * rate_hz) <= 2
        assert not against

    @pytest.mark.parametrize("rate_hz", [1000.0, 2000.0])
    def test_blows_shorter_than_the_rule_can_see(self, rate_hz: float) -> None:
        counts = with_noise(hammering(rate_hz, 0.5e-3, 500_000), 60, 1)
        found, _ = search(counts, rate_hz)
        assert found is not None
        assert abs(found - QUIET_S * rate_hz) <= 2

    @pytest.mark.parametrize("rate_hz", [2000.0, 7500.0, 30_000.0])
    def test_a_nut_spinning_down_before_the_first_blow_is_not_yet_the_drive(self, rate_hz: float) -> None:
        signal = hammering(rate_hz, 1.5e-3, 500_000)
        spinning = slice(int((QUIET_S - 0.4) * rate_hz), int(QUIET_S * rate_hz))
        signal[spinning] = 0.6 * FLOOR
        found, _ = search(with_noise(signal, 60, 3), rate_hz)
        assert found is not None
        assert abs(found - QUIET_S * rate_hz) <= 2

    @pytest.mark.parametrize("piece", [1, 3, 100, 5000])
    def test_however_the_samples_come(self, piece: int) -> None:
        counts = with_noise(hammering(7500.0, 1.5e-3, 500_000), 60, 2)
        assert search(counts, 7500.0, piece=piece) == search(counts, 7500.0)

    def test_counter_clockwise(self) -> None:
        counts = with_noise(-hammering(7500.0, 1.5e-3, 500_000), 60, 3)
        found, against = search(counts, 7500.0, sign=-1)
        assert found is not None
        assert abs(found - QUIET_S * 7500) <= 2
        assert not against

    def test_a_bridge_wired_the_other_way_round_is_found_and_told(self) -> None:
        counts = with_noise(-hammering(7500.0, 1.5e-3, 500_000), 60, 3)
        found, against = search(counts, 7500.0, sign=1)
        assert found is not None
        assert against

    def test_loosening_moves_along_the_rotation_from_a_preset_level(self) -> None:
        falling = 400_000 - hammering(7500.0, 1.5e-3, 900_000, level=400_000)
        found, against = search(with_noise(falling, 60, 4), 7500.0, sign=-1)
        assert found is not None
        assert abs(found - QUIET_S * 7500) <= 2
        assert not against


class TestNoOnset:
    @pytest.mark.parametrize("rate_hz", RATES)
    def test_twenty_seconds_of_noise(self, rate_hz: float) -> None:
        quiet = np.zeros(int(22 * rate_hz))
        assert search(with_noise(quiet, 900.0, 6), rate_hz)[0] is None

    def test_drift_and_the_tester_leaning_on_the_tool(self) -> None:
        drift = np.linspace(0, 0.9 * FLOOR, 80 * 20)
        assert search(with_noise(drift, 10.0, 7), 80.0)[0] is None

    def test_a_single_spike(self) -> None:
        counts = with_noise(np.zeros(60_000), 60, 8)
        counts[20_000:20_002] += 400_000
        assert search(counts, 7500.0)[0] is None

    def test_nothing_is_carried_across_a_gap(self) -> None:
        quiet = Baseline(0.0, 10.0, FLOOR)
        finder = OnsetFinder(quiet, 1, 7500.0)
        assert finder.feed(0, np.array([0, 0, 5000, 0, 0, 0, 0, 0], np.int32)) is None
        assert finder.feed(5000, np.array([0, 0, 0, 9000, 9000, 9000, 9000], np.int32)) == 5003


class TestRule:
    quiet = Baseline(0.0, 10.0, 20.0)

    def test_threshold_is_the_larger_of_noise_and_floor(self) -> None:
        assert Baseline(0.0, 10.0, 20.0).threshold_counts == 50.0
        assert Baseline(0.0, 10.0, 90.0).threshold_counts == 90.0

    def test_three_of_the_next_five_beyond_half(self) -> None:
        enough = np.array([0, 9, 51, 26, 0, 26, 0, 26, 0], float)
        too_few = np.array([0, 9, 51, 26, 0, 26, 0, 25, 0], float)
        assert find_onset(enough, self.quiet, 1e4) == (2, 1)
        assert find_onset(-enough, self.quiet, 1e4) == (2, -1)
        assert find_onset(too_few, self.quiet, 1e4) is None

    def test_steps_back_to_one_standard_deviation(self) -> None:
        slow = np.array([*[0] * 100, 9, 11, 20, 35, 51, 60, 60, 60, 60], float)
        assert find_onset(slow, self.quiet, 1e4) == (101, 1)

    def test_baseline_needs_two_samples(self) -> None:
        with pytest.raises(ValueError, match="1 samples make no baseline"):
            baseline(np.array([5], np.int32), FLOOR)


class TestFloor:
    """0.01 mV/V, worked out by hand for the two kinds of scale."""

    def test_of_a_ratiometric_converter(self) -> None:
        # HX711 at gain 128: full scale 3.90625 mV/V is 2^23 counts
        settings = replace(
            workshop().settings, scale_kind=ScaleKind.RATIO, full_scale=3.90625, full_scale_code=1 << 23
        )
        assert floor_counts(settings) == pytest.approx(21_474.8, abs=0.1)

    @pytest.mark.parametrize(("excitation_v", "expected"), [(5.0, 5368.7), (2.5, 2684.4), (None, 5368.7)])
    def test_of_a_voltage_converter(self, excitation_v: float | None, expected: float) -> None:
        # ADS1256 at gain 64: full scale 78.125 mV is 2^23 - 1 counts; 0.01 mV/V of 5 V is 50 µV
        settings = replace(workshop().settings, excitation_v=excitation_v)
        assert floor_counts(settings) == pytest.approx(expected, abs=0.1)


class TestLastActivity:
    def test_the_last_blow_and_not_the_level_it_left(self) -> None:
        signal = hammering(7500.0, 1.5e-3, 500_000, level=100_000)
        last = last_activity(signal, Baseline(0.0, 60.0, FLOOR), window=38)
        last_blow_begins = (QUIET_S + 1.0 - 1 / BLOWS_HZ) * 7500
        assert last is not None
        assert 0 <= last - last_blow_begins <= 0.0015 * 7500 + 38

    def test_none_where_nothing_happens(self) -> None:
        assert last_activity(np.zeros(1000), Baseline(0.0, 60.0, FLOOR), 38) is None
        assert last_activity(np.zeros(10), Baseline(0.0, 60.0, FLOOR), 38) is None
