"""``anviltrace import`` as a user meets it."""

from __future__ import annotations

import json
from pathlib import Path

import elsewhere
import pytest


@pytest.fixture
def bring(tmp_path: Path, run_command):
    """Run ``anviltrace import scope.csv`` with the files of the depot."""
    plan, bench = elsewhere.write_files(tmp_path)
    file = elsewhere.write_csv(tmp_path / "scope.csv")

    def run(*words: str):
        files = ("--plan", str(plan), "--bench", str(bench))
        return run_command(tmp_path / "bench.anviltrace", "import", str(file), *files, *words)

    return run


WHOLE = ("--unit", "v", "--nm-per-unit", "50", "--within", "1", "--zero", "-0.09:0.15", "--tool", "Ostrelby")


def test_a_capture_becomes_a_run_that_metrics_work_on(bring, run_command, tmp_path: Path):
    done = bring(*WHOLE)
    assert done.code == 0, done.err
    assert "scope.csv is run " in done.out
    assert "samples at 20000 samples/s" in done.out
    shown = run_command(tmp_path / "bench.anviltrace", "metrics", "--json")
    (run,) = json.loads(shown.out)
    impulse = next(value for value in run["values"] if value["name"] == "impulse_mean")
    assert impulse["unit"] == "N·m·s"
    assert abs(impulse["value"] - elsewhere.recording()[0].impulse_nms.mean()) < impulse["expanded"]
    assert run["tool"] == "Ostrelby"
    assert any("torque as stated by its maker, to ±1 %" in flag for flag in run["flags"])
    whole = run_command(tmp_path / "bench.anviltrace", "metrics", run["run"][:8])
    assert "imported from scope.csv" in whole.out


def test_json(bring):
    told = json.loads(bring(*WHOLE, "--json").out)
    assert (told["kind"], told["gaps"], told["saturated"]) == ("import", 0, 0)
    assert told["rate_hz"] == pytest.approx(20_000.0)
    assert told["onset_s"] == pytest.approx(elsewhere.QUIET_S, abs=0.002)


def test_what_lacks_is_said_where_nobody_can_be_asked(bring):
    assert "the unit of the values is not given: --unit, one of nm, lbf-ft" in bring().err
    no_limit = bring("--unit", "v", "--nm-per-unit", "50")
    assert (no_limit.code, "give --within in percent" in no_limit.err) == (8, True)


def test_a_person_is_asked(bring, monkeypatch: pytest.MonkeyPatch):
    answers = iter(["v", 2.0])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("click.prompt", lambda *_, **__: next(answers))
    done = bring("--nm-per-unit", "50")
    assert done.code == 0, done.err
    assert next(answers, None) is None


def test_what_is_typed_must_be_a_number_above_zero(bring, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    typed = iter(["0", "nan", "inf", "much", "2"])
    monkeypatch.setattr("click.termui.visible_prompt_func", lambda _: next(typed))
    assert bring("--unit", "v", "--nm-per-unit", "50").code == 0
    assert next(typed, None) is None


def test_the_values_are_shown_so_that_a_wrong_scale_is_seen(bring):
    assert "(1.577 s), 0.02217 to 8.316 V." in bring("--unit", "v").out


@pytest.mark.parametrize("words", [("--zero", "0.5"), ("--zero", "a:b"), ("--within", "nan")])
def test_options_that_make_no_sense(bring, words: tuple[str, str]):
    assert bring("--unit", "v", *words).code == 2
