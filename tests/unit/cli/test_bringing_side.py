"""Side channels of imported recordings as a user brings them in."""

from __future__ import annotations

import json
from pathlib import Path

import besides
import elsewhere
import numpy as np
import pytest

from anviltrace.archive import Archive
from anviltrace.records import Quantity, Run, RunKind
from anviltrace.trace.vibration import weighting

TORQUE = ("--column", "CH1", "--unit", "v", "--nm-per-unit", "50", "--within", "1", "--zero", "-0.09:0.05")
WISHES = tuple(word for wish in besides.WISHES for word in ("--side", wish))


@pytest.fixture
def bring(tmp_path: Path, run_command):
    """Run ``anviltrace import`` on a file of the depot's scope."""
    plan, bench = elsewhere.write_files(tmp_path)

    def run(file: Path, *words: str):
        files = ("--plan", str(plan), "--bench", str(bench), "--tool", "Ostrelby")
        return run_command(tmp_path / "bench.anviltrace", "import", str(file), *files, *TORQUE, *words)

    return run


def measured(path: Path, quantity: Quantity) -> tuple[np.ndarray, float]:
    """The values of a channel in its unit, and where it starts."""
    with Archive.open(path, read_only=True) as archive:
        (run,) = archive.all(Run, kind=RunKind.IMPORT)
        channel = [one for one in archive.sides(run.id) if one.quantity == quantity][-1]
        counts = np.concatenate([part for _, part in archive.side_pieces(channel.id)])
        assert archive.verify() == []
    return counts * channel.per_count, channel.start_s


def test_further_columns_come_along_on_the_same_clock(tmp_path: Path, bring):
    done = bring(besides.write(tmp_path / "all.csv"), *WISHES, "--sensor", "shunt, clamp, accelerometer")
    assert done.code == 0, done.err
    assert "supply current in A from CH3: " in done.out
    assert "from 0.000 s on" in done.out
    truth = besides.columns()
    for quantity, expected in (
        (Quantity.SUPPLY_VOLTAGE, truth["CH2"]),
        (Quantity.SUPPLY_CURRENT, truth["CH3"] * 100.0),
        (Quantity.HANDLE_Y, truth["AY"] * 9.80665),
    ):
        values, start_s = measured(tmp_path / "bench.anviltrace", quantity)
        assert values == pytest.approx(expected, abs=2e-6 * np.abs(expected).max())
        assert start_s == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("words", [("--unit", "mv"), ("--unit", "lbf-ft", "--nm-per-unit", "1")])
def test_the_unit_of_the_torque_is_not_that_of_what_comes_along(tmp_path: Path, bring, words):
    done = bring(besides.write(tmp_path / "all.csv"), "--side", "supply voltage=CH2:v:1%", *words)
    assert done.code == 0, done.err
    values, _ = measured(tmp_path / "bench.anviltrace", Quantity.SUPPLY_VOLTAGE)
    assert values == pytest.approx(besides.columns()["CH2"], abs=1e-4)


def test_a_file_of_its_own_is_put_where_its_offset_says(tmp_path: Path, bring, run_command):
    run = json.loads(bring(besides.write(tmp_path / "all.csv"), "--json").out)["id"]
    archive = tmp_path / "bench.anviltrace"
    slow = np.column_stack([np.arange(300) / 100.0, 20.0 - np.arange(300) / 300.0])
    np.savetxt(tmp_path / "logger.csv", slow, fmt="%.6g", delimiter=",", header="time,pack", comments="")
    words = ("--offset", "-0.25", "--offset-within", "0.02", "--json")
    wish = ("--side", "supply voltage=pack:v:1%")
    done = run_command(archive, "import-side", str(tmp_path / "logger.csv"), run[:8], *wish, *words)
    assert done.code == 0, done.err
    (told,) = json.loads(done.out)["sides"]
    assert (told["samples"], told["unit"], told["start_s"]) == (300, "V", pytest.approx(-0.25))
    values, start_s = measured(archive, Quantity.SUPPLY_VOLTAGE)
    assert values == pytest.approx(slow[:, 1], abs=1e-4)
    assert start_s == pytest.approx(-0.25)


def test_a_file_that_was_not_recorded_during_the_run_is_refused(tmp_path: Path, bring, run_command):
    file = besides.write(tmp_path / "all.csv")
    run = json.loads(bring(file, "--json").out)["id"]
    words = ("--side", besides.WISHES[0], "--offset", "100", "--offset-within", "0.1")
    done = run_command(tmp_path / "bench.anviltrace", "import-side", str(file), run[:8], *words)
    assert done.code == 8
    assert "supply voltage lasts from 99.900 to " in done.err
    assert "correct --offset" in done.err


def test_only_runs_of_a_tool_have_something_beside_them(tmp_path: Path, bring, run_command):
    file, archive = besides.write(tmp_path / "all.csv"), tmp_path / "bench.anviltrace"
    bring(file)
    (zero,) = json.loads(run_command(archive, "archive", "list", "--kind", "zero", "--json").out)
    words = ("--side", besides.WISHES[0], "--offset", "0", "--offset-within", "0.1")
    done = run_command(archive, "import-side", str(file), zero["id"], *words)
    assert (done.code, "is a zero recording: name the run of a tool" in done.err) == (8, True)


def test_what_was_added_wrongly_is_put_right_by_adding_it_again(tmp_path: Path, bring, run_command):
    file, archive = besides.write(tmp_path / "all.csv"), tmp_path / "bench.anviltrace"
    run = json.loads(bring(file, "--side", "supply voltage=CH2:mv:1%", "--json").out)["id"]

    def open_voltage() -> float:
        (told,) = json.loads(run_command(archive, "metrics", run, "--json").out)
        return next(one["value"] for one in told["values"] if one["name"] == "supply_open")

    assert open_voltage() == pytest.approx(1e-3 * besides.OPEN_V, rel=0.01)
    words = ("--side", "supply voltage=CH2:v:1%", "--offset", "0.1", "--offset-within", "0")
    assert run_command(archive, "import-side", str(file), run, *words).code == 0
    assert open_voltage() == pytest.approx(besides.OPEN_V, rel=0.01)


def test_a_wish_that_makes_no_sense_is_wrong_usage(tmp_path: Path, bring):
    done = bring(besides.write(tmp_path / "all.csv"), "--side", "supply voltage=CH2:a:1%")
    assert done.code == 2
    assert "cannot be in 'a': use v or mv" in done.err


def test_a_column_that_is_not_there_leaves_nothing_behind(tmp_path: Path, bring):
    done = bring(besides.write(tmp_path / "all.csv"), "--side", "supply voltage=CH9:v:1%")
    assert done.code == 8
    assert "has no column 'CH9'" in done.err
    assert not (tmp_path / "bench.anviltrace").exists()


def test_channels_of_a_wav_file_share_its_full_scale(tmp_path: Path, bring, run_command):
    from scipy.io import wavfile

    run = json.loads(bring(besides.write(tmp_path / "all.csv"), "--json").out)["id"]
    wave = np.round(3276.8 * np.column_stack([np.sin(np.arange(9000) / 40), np.cos(np.arange(9000) / 40)]))
    wavfile.write(tmp_path / "handle.wav", 8000, wave.astype(np.int16))
    wishes = ("--side", "handle acceleration x=1:50g:3%", "--side", "handle acceleration y=2:50g:3%")
    words = (*wishes, "--offset", "0", "--offset-within", "0.01")
    file = str(tmp_path / "handle.wav")
    lacking = run_command(tmp_path / "bench.anviltrace", "import-side", file, run[:8], *words)
    assert "say with --full-scale what that is in its own unit" in lacking.err
    done = run_command(
        tmp_path / "bench.anviltrace", "import-side", file, run[:8], *words, "--full-scale", "10"
    )
    assert done.code == 0, done.err
    values, _ = measured(tmp_path / "bench.anviltrace", Quantity.HANDLE_X)
    assert np.abs(values).max() == pytest.approx(50 * 9.80665, rel=1e-3)


def test_what_came_along_has_its_metrics(tmp_path: Path, bring, run_command):
    done = bring(besides.write(tmp_path / "all.csv"), *WISHES)
    assert done.code == 0, done.err
    archive = tmp_path / "bench.anviltrace"
    (run,) = json.loads(run_command(archive, "metrics", "--json").out)
    values = {one["name"]: one for one in run["values"]}
    expected = {
        "supply_open": (besides.OPEN_V, "V"),
        "supply_resistance": (1e3 * besides.INNER_OHM, "mΩ"),
        "current_mean": (besides.DRIVE_A, "A"),
        "vibration_x": (besides.SHAKE_M_PER_S2 / 2**0.5 * abs(weighting(besides.SHAKE_HZ)), "m/s²"),
    }
    for name, (true, unit) in expected.items():
        assert values[name]["unit"] == unit
        assert abs(values[name]["value"] - true) < values[name]["expanded"] + 0.003 * true, name
    assert values["vibration_y"]["value"] == pytest.approx(0.5 * values["vibration_x"]["value"], rel=0.01)
    assert values["energy_run"]["value"] == pytest.approx(3600.0 * values["energy_run_wh"]["value"])
    shown = run_command(archive, "metrics", run["run"][:8]).out
    assert "open-circuit voltage" in shown
    assert "vibration total value" in shown
    assert "no day's exposure" in shown
    assert "supply current: 31547 samples at 20000 a second, from all.csv" in shown
    assert run["sides"][0]["quantity"] == "supply voltage"
    assert "opinions" not in shown
    assert run_command(archive, "archive", "rate", run["run"], "6", "--by", "N. Vale").code == 0
    rated = run_command(archive, "metrics", run["run"][:8]).out
    assert "How hard it was to hold (opinions, not measured;" in rated
    assert "6 of 10, N. Vale" in rated
    (told,) = json.loads(run_command(archive, "metrics", "--json").out)
    assert [(one["score"], one["by"]) for one in told["ratings"]] == [(6, "N. Vale")]
    assert told["values"] == run["values"]


def test_a_days_exposure(tmp_path: Path, bring, run_command):
    run = json.loads(bring(besides.write(tmp_path / "all.csv"), *WISHES, "--json").out)["id"]
    archive = tmp_path / "bench.anviltrace"
    day = json.loads(run_command(archive, "exposure", f"{run[:8]}=30", f"{run[:8]}=15", "--json").out)
    shake = besides.SHAKE_M_PER_S2 / 2**0.5 * abs(weighting(besides.SHAKE_HZ))
    a_hv = shake * np.hypot(1.0, 0.5)
    assert day["a8"] == pytest.approx(a_hv * (45.0 / 480.0) ** 0.5, rel=0.02)
    assert day["points"] == pytest.approx(2.0 * a_hv**2 * 0.75, rel=0.04)
    assert (day["action_value"], day["limit_value"]) == ("above", "not to be told from")
    shown = run_command(archive, "exposure", f"{run[:8]}=1").out
    assert "The day is below the exposure action value of 2.5 m/s²" in shown
    assert "Where one run alone stands for a task" in shown
    again = json.loads(bring(besides.write(tmp_path / "more.csv", -0.2), *WISHES, "--json").out)["id"]
    both = f"{run[:8]},{again[:8]}=45"
    (task,) = json.loads(run_command(archive, "exposure", both, "--json").out)["tasks"]
    assert len(task["a_hv_of_runs"]) == 2
    assert task["a_hv"] == pytest.approx(a_hv, rel=0.02)
    shown = run_command(archive, "exposure", both).out
    assert f"runs {run[:8]} {again[:8]}" in shown
    assert "Where one run alone" not in shown
    assert "no type test" in shown


@pytest.mark.parametrize("words", [("abc",), ("abc=0",), ("abc=nan",), ("=5",), ("abc,=5",), ()])
def test_an_exposure_needs_minutes(run_command, tmp_path: Path, words: tuple[str, ...]):
    assert run_command(tmp_path / "bench.anviltrace", "exposure", *words).code == 2


def test_a_run_without_vibration_has_no_exposure(tmp_path: Path, bring, run_command):
    run = json.loads(bring(besides.write(tmp_path / "all.csv"), "--json").out)["id"]
    done = run_command(tmp_path / "bench.anviltrace", "exposure", f"{run[:8]}=5")
    assert done.code == 11
    assert "has no vibration total value: no handle acceleration was recorded" in done.err
