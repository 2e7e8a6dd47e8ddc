"""Claims beside measurements."""

from __future__ import annotations

import pytest
from findings import claim, loosening, result, torque
from workshop import fixed_id

from anviltrace.capture.benchfile import CLAIM_UNITS
from anviltrace.compare.claims import PEAK_OF_RIG, STUD, ClaimCheck, check_claims, known_quantities
from anviltrace.compare.groups import group_runs
from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.results import Value
from anviltrace.records import Claim, RigKind


def checked(made: Claim, *values: Value, **changes: object) -> list[ClaimCheck]:
    return check_claims([made], group_runs([result(1, *values, **changes), result(2, *values, **changes)]))


ALL = (
    torque(200.0, "maximum_torque"),
    torque(150.0, "retained_final"),
    torque(30.0, "mean_torque"),
    Value("blow_rate", 38.0, 0.4),
)


def test_measured_over_claimed_with_its_uncertainty() -> None:
    first = checked(claim(value=400.0), *ALL)[0]
    assert first.measured.name == "maximum_torque"
    assert first.ratio == pytest.approx(0.5)
    assert first.measured.expanded is not None
    assert first.ratio_expanded == pytest.approx(first.measured.expanded / 400.0)


def test_a_maximum_is_also_set_against_what_the_joint_keeps_and_flagged() -> None:
    found = {check.measured.name: check for check in checked(claim(), *ALL)}
    assert list(found) == ["maximum_torque", "retained_final"]
    assert any("what the joint keeps" in flag for flag in found["retained_final"].flags)


def test_a_held_rig_measures_the_stud() -> None:
    assert all(STUD in check.flags for check in checked(claim(), *ALL))
    free = checked(claim(), *ALL, rig_kind=RigKind.FIXED)
    assert [check.measured.name for check in free] == ["maximum_torque", "mean_torque"]  # nothing is retained
    assert not any(STUD in check.flags for check in free)
    assert any("a mean over the drive" in flag for flag in free[1].flags)
    assert free[0].flags == (PEAK_OF_RIG,)


def test_blows_a_second_are_alike_everywhere() -> None:
    (check,) = checked(claim("blow rate", 40.0), *ALL)
    assert (check.flags, check.ratio) == ((), pytest.approx(0.95))


def test_a_claim_is_about_its_duty() -> None:
    assert checked(claim(duty="loosening"), *ALL) == []
    assert checked(claim("loosening torque"), *ALL) == []
    (check,) = checked(claim("loosening torque"), *ALL, plan=loosening())
    assert check.measured.name == "maximum_torque"
    assert any("undoes" in flag for flag in check.flags)


def test_a_claim_is_about_its_own_tool() -> None:
    assert checked(claim(tool_id=fixed_id(77)), *ALL) == []


def test_what_a_loosened_joint_keeps_is_set_against_no_claim() -> None:
    names = [check.measured.name for check in checked(claim(), *ALL, plan=loosening())]
    assert names == ["maximum_torque"]


def test_a_withheld_metric_gives_no_ratio_but_its_reason() -> None:
    first = checked(claim(), torque(None, "maximum_torque"))[0]
    assert (first.ratio, first.ratio_expanded) == (None, None)
    assert first.measured.why_none == "no zero reading near the run"


def test_runs_that_were_not_kept_say_nothing_about_a_claim() -> None:
    assert checked(claim(), *ALL, verdict="discard") == []


def test_what_can_be_claimed_can_be_compared() -> None:
    assert set(known_quantities()) == set(CLAIM_UNITS)
    for quantity in known_quantities():
        kept = {unit for unit, _ in CLAIM_UNITS[quantity].values()}
        for check in checked(claim(quantity), *ALL) + checked(claim(quantity), *ALL, plan=loosening()):
            assert {CATALOGUE[check.measured.name].unit} == kept
