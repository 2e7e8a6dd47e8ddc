"""Quantities of short plans and their reasons, signs and units, and the resolution of a reading."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from hungweights import Nature, arm, calibration, ladder, load_steps, masses, straight
from hypothesis import given
from hypothesis import strategies as st
from torque_example import torque_example

from anviltrace.calibration.indications import Indication, indications, split, torques_nm
from anviltrace.calibration.quantities import Level, find_quantities, resolution
from anviltrace.calibration.slope import load_all
from anviltrace.errors import CalibrationError

PERCENTAGES = [field.name for field in fields(Level) if field.name.endswith("_percent")]


def only(*series: int, down: bool = True) -> list[Indication]:
    return [one for one in torque_example() if one.series in series and (down or one.branch != "down")]


class TestShortPlans:
    def test_one_rising_series(self) -> None:
        missing = find_quantities(only(1)).missing
        assert "second rising series in one mounting" in missing["repeatability_percent"]
        assert "another mounting" in missing["reproducibility_percent"]
        assert "falling series" in missing["reversibility_percent"]
        assert "cubic_percent" not in missing

    def test_each_series_more_answers_more(self) -> None:
        assert set(find_quantities(only(3)).missing) == {"repeatability_percent", "reproducibility_percent"}
        assert set(find_quantities(only(1, 2)).missing) == {
            "reproducibility_percent", "reversibility_percent", "line_both_percent"
        }  # fmt: skip
        assert set(find_quantities(only(1, 2, 3)).missing) == set()

    def test_repeats_in_a_mounting_do_not_count_for_the_mean(self) -> None:
        """The second series of the first mounting is for b' only."""
        whole, without = find_quantities(torque_example()), find_quantities(only(1, 3, 4))
        assert [level.mean_counts for level in whole.levels] == [
            level.mean_counts for level in without.levels
        ]

    def test_no_rising_series(self) -> None:
        falling = [one for one in only(3) if one.branch != "up"]
        with pytest.raises(CalibrationError, match="no series of this calibration rises"):
            find_quantities(falling)

    def test_a_reading_that_equals_its_zero(self) -> None:
        dead = [replace(one, counts=1000.0) for one in only(1)]
        with pytest.raises(CalibrationError, match=r"20.0 N·m equals its zero.*wiring"):
            find_quantities(dead)


EXAMPLE = torque_example()
FOUND = find_quantities(EXAMPLE)


@given(
    st.floats(0.01, 100.0),
    st.floats(0.01, 1000.0),
    st.sampled_from([1.0, -1.0]),
    st.sampled_from([1.0, -1.0]),
    st.floats(-1e5, 1e5),
)
def test_units_signs_and_offset_do_not_matter(
    per_nm: float, per_count: float, torque_sign: float, count_sign: float, offset: float
) -> None:
    scaled = [
        replace(
            one,
            torque_nm=one.torque_nm * per_nm * torque_sign,
            counts=one.counts * per_count * count_sign + offset,
        )
        for one in EXAMPLE
    ]
    ours, theirs = FOUND, find_quantities(scaled)
    for one, other in zip(ours.levels, theirs.levels, strict=True):
        for name in PERCENTAGES:
            mine, its = getattr(one, name), getattr(other, name)
            assert its is None if mine is None else its == pytest.approx(mine, rel=1e-5, abs=1e-6)
    assert theirs.zero_return_percent == pytest.approx(ours.zero_return_percent, rel=1e-5)


def test_an_arm_that_sags_differently_is_no_spread() -> None:
    """A load at another angle pulls with another torque: readings are referred to the mean torque."""
    read = only(1, 3, down=False)
    tilted = [
        replace(one, torque_nm=one.torque_nm * 0.999, counts=1249.0 + (one.counts - 1249.0) * 0.999)
        if one.series == 3
        else one
        for one in read
    ]
    for one, other in zip(find_quantities(read).levels, find_quantities(tilted).levels, strict=True):
        assert other.reproducibility_percent == pytest.approx(one.reproducibility_percent, abs=1e-9)


class TestFromLoadSteps:
    def steps(self):
        hung = masses()
        steps = load_steps(ladder(hung), Nature.as_stated(hung, arm(), calibration()), straight)
        return steps, load_all(steps, calibration(), {mass.id: mass for mass in hung}, arm())

    def test_loads_are_told_by_what_hangs(self) -> None:
        read = indications(*self.steps())
        assert len(torques_nm(read)) == 5
        (series,) = split(read)
        assert len(series.up) == 5
        assert len(series.down) == 4
        assert series.zero_return_counts == 0.0

    def test_resolution(self) -> None:
        """±2 standard deviations of a mean of 15,000 are below half a count, of a mean of 24 they are 2.5."""
        steps, _ = self.steps()
        assert resolution(steps) == 1.0
        few = [replace(step, samples=24) for step in steps]
        assert resolution(few) == pytest.approx(1.0 + 2.0 * 5.0 * (1.5 / 24.0) ** 0.5)
