"""Plans in TOML: what is accepted, and the one line that says what is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.capture.plan import read_plan
from anviltrace.errors import PlanError
from anviltrace.records import Duty, Rotation, Start, Thread

GOOD = """
name = "fishplate bolt, tightening"
rotation = "cw"
thread = "right"
duty = "tightening"
start = "slack"
drive_s = 5
"""


def written(folder: Path, text: str | bytes) -> Path:
    file = folder / "plan.toml"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return file


def complaint(file: Path) -> str:
    with pytest.raises(PlanError) as caught:
        read_plan(file)
    message = str(caught.value)
    assert message.startswith(str(file))
    assert "\n" not in message
    assert caught.value.exit_code == 8
    return message


def test_a_plan_with_defaults(tmp_path: Path) -> None:
    plan = read_plan(written(tmp_path, GOOD))
    assert (plan.rotation, plan.thread) == (Rotation.CW, Thread.RIGHT)
    assert (plan.duty, plan.start) == (Duty.TIGHTENING, Start.SLACK)
    assert (plan.drive_s, plan.before_s, plan.after_s, plan.repeats) == (5.0, 1.0, 1.0, 1)
    assert isinstance(plan.drive_s, float)
    assert plan.text == GOOD


def test_a_plan_with_everything(tmp_path: Path) -> None:
    extra = (
        "before_s = 2.5\nafter_s = 10\nonset_limit_s = 30\nrepeats = 5\nrest_s = 60\nzero_s = 2\n"
        "marks_s = [0.5, 1, 5]\nthresholds_nm = [150, 200.5]\nrate_hz = 7500\ngain = 64\n"
    )
    plan = read_plan(written(tmp_path, GOOD + extra))
    assert plan.marks_s == (0.5, 1.0, 5.0)
    assert plan.thresholds_nm == (150.0, 200.5)
    assert (plan.after_s, plan.onset_limit_s, plan.rest_s, plan.zero_s) == (10.0, 30.0, 60.0, 2.0)
    assert (plan.repeats, plan.rate_hz, plan.gain) == (5, 7500.0, 64)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("before_s = 0.5", "before_s = 0.5 lies outside 1 to"),
        ("after_s = 0", "after_s = 0 lies outside 1 to"),
        ("drive_s = 0", "drive_s = 0 lies outside"),
        ("drive_s = -1", "drive_s = -1 lies outside"),
        ("drive_s = 3601", "outside 0.1 to 3600"),
        ("drive_s = inf", "drive_s = inf is not finite"),
        ("drive_s = nan", "drive_s = nan is not finite"),
        ('drive_s = "5"', "must be a number"),
        ("drive_s = true", "must be a number"),
        ("rest_s = -0.1", "rest_s = -0.1 lies outside 0 to"),
        ("repeats = 0", "repeats = 0 lies outside 1 to 1000"),
        ("repeats = 1001", "lies outside 1 to 1000"),
        ("repeats = 1.5", "must be a whole number"),
        ("repeats = inf", "whole number"),
        ("repeats = nan", "whole number"),
        (f"repeats = 1{400 * '0'}", "larger than 1e+15"),
        ("onset_limit_s = 0", "onset_limit_s = 0 lies outside"),
        ("marks_s = [1, 6]", "6 s, outside the drive time of 5 s"),
        ("marks_s = [0]", "outside the drive time"),
        ("marks_s = [2, 1]", "rising order"),
        ('marks_s = ["1"]', "give seconds"),
        ("marks_s = 3", "marks_s"),
        ("thresholds_nm = [200, 150]", "rising order"),
        ("thresholds_nm = [0]", "give torques above 0 in N·m"),
        ("thresholds_nm = [true]", "give torques above 0 in N·m"),
        ('rotation = "clockwise"', "use one of: cw, ccw"),
        ('thread = "metric"', "right, left, none"),
        ("name = 5", "name = 5"),
        ("wait_s = 5", "plan.toml: the file does not know 'wait_s'"),
        ("gain = 0", "gain = 0"),
        ('duty = "loosening"', "correct rotation, thread or duty"),
    ],
)
def test_impossible_values(tmp_path: Path, line: str, words: str) -> None:
    key = line.split(" ")[0]
    kept = [given for given in GOOD.splitlines() if not given.startswith(f"{key} ")]
    assert words in complaint(written(tmp_path, "\n".join([*kept, line])))


@pytest.mark.parametrize("key", ["name", "rotation", "thread", "duty", "start", "drive_s"])
def test_a_key_is_missing(tmp_path: Path, key: str) -> None:
    kept = [line for line in GOOD.splitlines() if not line.startswith(f"{key} ")]
    assert f"lacks {key!r}" in complaint(written(tmp_path, "\n".join(kept)))


def test_loosening_needs_something_to_loosen(tmp_path: Path) -> None:
    text = GOOD.replace("cw", "ccw").replace("tightening", "loosening")
    assert "nothing to loosen" in complaint(written(tmp_path, text))
    assert read_plan(written(tmp_path, text.replace("slack", "preset"))).duty is Duty.LOOSENING


def test_a_left_hand_thread_tightens_the_other_way(tmp_path: Path) -> None:
    text = GOOD.replace('"right"', '"left"')
    assert "left-hand" in complaint(written(tmp_path, text))
    assert read_plan(written(tmp_path, text.replace('"cw"', '"ccw"'))).rotation is Rotation.CCW


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    assert "check the name" in complaint(tmp_path / "missing.toml")
    assert "0xe9" in complaint(written(tmp_path, 'name = "mémoire"'.encode("latin-1")))
    assert "not TOML" in complaint(written(tmp_path, "name = \n"))
    assert "check the name" in complaint(tmp_path)
