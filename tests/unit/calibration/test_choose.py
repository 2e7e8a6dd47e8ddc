"""The calibration that holds for a run, or the reason why none does."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hungweights import Nature, Reads, arm, calibration, ladder, load_steps, masses, straight
from workshop import fixed_id, workshop

from anviltrace.calibration.choose import Candidate, choose
from anviltrace.calibration.line import LineFit
from anviltrace.records import ScaleKind, Settings

RIG = fixed_id(1)
SETTINGS: Settings = workshop().settings
HUNG = masses()


def candidate(
    sign: int = 1, number: int = 40, settings: Settings = SETTINGS, reads: Reads = straight, **changes: object
) -> Candidate:
    made = calibration(sign, id=fixed_id(number), taken_at=f"2026-05-04T09:00:{number}.000Z", **changes)
    steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), made), reads, sign)
    return Candidate(made, RIG, settings, tuple(steps), {mass.id: mass for mass in HUNG}, arm())


def chosen(*candidates: Candidate, sign: int = 1, settings: Settings = SETTINGS, rig: str = RIG) -> str:
    """The id of the calibration chosen, or the reason."""
    found = choose(candidates, sign, rig, settings)
    return found.line.calibration_id if isinstance(found, LineFit) else found


def test_the_newest_that_fits() -> None:
    assert chosen(candidate(number=41), candidate(number=43), candidate(number=42)) == fixed_id(43)


def test_the_sign_decides() -> None:
    up, down = candidate(1, 41), candidate(-1, 42)
    assert chosen(up, down, sign=1) == fixed_id(41)
    assert chosen(up, down, sign=-1) == fixed_id(42)
    reason = chosen(up, sign=-1)
    assert reason.startswith("no calibration for counter-clockwise torque")
    assert "anviltrace calibration record --direction ccw" in reason


def test_another_rig() -> None:
    assert "no calibration for clockwise torque on this rig" in chosen(candidate(), rig=fixed_id(99))


@pytest.mark.parametrize(("changes", "words"), [
    ({"gain": 1}, "made with gain 64, the run with 1;"),
    ({"rate_hz": 80.0}, "made with rate 1000 samples/s, the run with 80 samples/s"),
    ({"scale_kind": ScaleKind.RATIO}, "made with scale kind V, the run with mV/V"),
    ({"full_scale": 1.0}, "another full scale"),
    ({"full_scale_code": 100}, "another full scale"),
    ({"excitation_v": 4.9}, "another excitation"),
    ({"excitation_v": None}, "another excitation"),
    ({"excitation_source": "nominal"}, "another excitation"),
])  # fmt: skip
def test_other_settings(changes: dict[str, object], words: str) -> None:
    reason = chosen(candidate(), settings=replace(SETTINGS, **changes))  # type: ignore[arg-type]
    assert words in reason
    assert "\n" not in reason


def test_a_ratio_does_not_care_for_the_excitation() -> None:
    ratio = replace(SETTINGS, scale_kind=ScaleKind.RATIO)
    assert chosen(candidate(settings=ratio), settings=replace(ratio, excitation_v=3.3)) == fixed_id(40)


def test_an_older_one_with_the_settings_beats_a_newer_one_without() -> None:
    other = replace(SETTINGS, gain=1)
    assert chosen(candidate(number=41), candidate(number=42, settings=other)) == fixed_id(41)


def test_one_that_was_broken_off_is_passed_over() -> None:
    whole, broken = candidate(number=41), candidate(number=42)
    broken = replace(broken, steps=broken.steps[:-1])
    assert chosen(whole, broken) == fixed_id(41)
    assert "does not begin and end with a zero" in chosen(broken)


def test_weights_that_hung_on_the_wrong_side() -> None:
    """Then the counts rise with torque of both signs, and nobody can say which of the two is right."""
    up, wrong = candidate(1, 41), candidate(-1, 42, reads=lambda torque_nm: straight(-torque_nm))
    assert "weights hung on the wrong side" in chosen(up, wrong, sign=1)
    assert "weights hung on the wrong side" in chosen(up, wrong, sign=-1)
    assert chosen(up, wrong, candidate(-1, 43), sign=1) == fixed_id(41)
