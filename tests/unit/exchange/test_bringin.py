"""A recording made elsewhere gives the numbers of its truth, or says why it does not."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import elsewhere
import numpy as np
import pytest
from elsewhere import NM_PER_V, RATE_HZ

from anviltrace.archive import Archive
from anviltrace.capture.benchfile import read_bench
from anviltrace.capture.plan import read_plan
from anviltrace.errors import LackingError, PlanError
from anviltrace.exchange.bringin import bring_in
from anviltrace.exchange.columns import Wanted
from anviltrace.exchange.foreign import read_foreign
from anviltrace.exchange.stated import ForeignUnit, Stated, Stretch
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import gather
from anviltrace.metrics.results import RunResult
from anviltrace.records import Origin, Run, RunKind, RunState, Zero

WITHIN_PERCENT = 1.0


@pytest.fixture
def stated(tmp_path: Path) -> Stated:
    plan, bench = (path for path in elsewhere.write_files(tmp_path))
    whole = read_bench(bench)
    return Stated(
        unit=ForeignUnit.V,
        plan=read_plan(plan),
        rig=whole.rig,
        tool=whole.tool("Ostrelby"),
        nm_per_unit=NM_PER_V,
        within_percent=WITHIN_PERCENT,
        zeros=(Stretch(-0.09, 0.15),),
        recorded_at="2026-05-04T08:00:00.000Z",
    )


def imported(tmp_path: Path, file: Path, stated: Stated, wanted: Wanted | None = None) -> RunResult:
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        run = bring_in(archive, file, read_foreign(file, wanted or Wanted(), stated), stated, again=True)
        assert archive.verify() == []
        return evaluate(gather(archive, run))


def stated_value(result: RunResult, name: str) -> tuple[float, float]:
    found = result.value(name)
    assert found is not None
    assert found.value is not None, found.withheld
    assert found.expanded is not None
    return found.value, found.expanded


def test_metrics_of_a_scope_capture_hold_the_truth(tmp_path: Path, stated: Stated):
    made, _ = elsewhere.recording()
    result = imported(tmp_path, elsewhere.write_csv(tmp_path / "scope.csv"), stated)
    assert result.context.run.kind is RunKind.IMPORT
    assert stated_value(result, "blow_count")[0] == len(made.apex_s)
    impulse, within = stated_value(result, "impulse_mean")
    assert abs(impulse - made.impulse_nms.mean()) < within
    assert within == pytest.approx(1.96 * WITHIN_PERCENT / 100 / 3**0.5 * impulse, rel=0.2)
    peak, peak_within = stated_value(result, "peak_mean")
    assert abs(peak - made.recorded_net_nm.mean()) < peak_within
    assert "imported from scope.csv: torque as stated by its maker, to ±1 %" in result.flags
    assert result.calibration_ids == ()
    assert result.time_zero_s == pytest.approx(elsewhere.QUIET_S, abs=0.002)


def test_every_format_gives_the_same_numbers(tmp_path: Path, stated: Stated):
    parquet, arrow = pytest.importorskip("pyarrow.parquet"), pytest.importorskip("pyarrow")
    volts, times = elsewhere.recording()[1], elsewhere.times_s()
    np.save(tmp_path / "a.npy", np.column_stack([times, volts]))
    parquet.write_table(arrow.table({"t": times * 1e3, "v": volts}), tmp_path / "a.parquet")
    by_array = imported(tmp_path, tmp_path / "a.npy", stated)
    by_table = imported(tmp_path, tmp_path / "a.parquet", replace(stated, time_unit_s=1e-3))
    by_text = imported(tmp_path, elsewhere.write_csv(tmp_path / "a.csv"), stated)
    for name in ("impulse_mean", "peak_mean", "mean_torque", "blow_rate"):
        first = stated_value(by_array, name)
        assert stated_value(by_table, name) == pytest.approx(first, rel=1e-5)
        assert stated_value(by_text, name) == pytest.approx(first, rel=1e-4)


def test_whole_numbers_of_a_wav_file_need_their_full_scale(tmp_path: Path, stated: Stated):
    from scipy.io import wavfile

    volts = elsewhere.recording()[1]
    wavfile.write(tmp_path / "a.wav", int(RATE_HZ), np.rint(volts / 10.0 * 32768).astype(np.int16))
    shifted = replace(stated, zeros=(Stretch(0.01, 0.25),))
    with pytest.raises(
        LackingError, match="whole numbers up to 32768: say with --full-scale what that is in V"
    ):
        imported(tmp_path, tmp_path / "a.wav", shifted)
    by_wave = imported(tmp_path, tmp_path / "a.wav", replace(shifted, full_scale=10.0))
    by_text = imported(tmp_path, elsewhere.write_csv(tmp_path / "a.csv"), stated)
    assert stated_value(by_wave, "impulse_mean")[0] == pytest.approx(
        stated_value(by_text, "impulse_mean")[0], rel=1e-3
    )


@pytest.mark.parametrize(
    ("unit", "factor"),
    [
        (ForeignUnit.NM, 1.0),
        (ForeignUnit.LBF_FT, 1 / 1.3558179483314004),  # NIST SP 811: exact by definition
        (ForeignUnit.KGF_M, 1 / 9.80665),
    ],
)
def test_torque_in_any_unit_becomes_newton_metres(
    tmp_path: Path, stated: Stated, unit: ForeignUnit, factor: float
):
    made, volts = elsewhere.recording()
    np.save(tmp_path / "a.npy", np.column_stack([elsewhere.times_s(), -volts * NM_PER_V * factor]))
    result = imported(tmp_path, tmp_path / "a.npy", replace(stated, unit=unit, nm_per_unit=-1.0))
    impulse, within = stated_value(result, "impulse_mean")
    assert abs(impulse - made.impulse_nms.mean()) < within


def test_without_a_scale_torque_is_withheld(tmp_path: Path, stated: Stated):
    unknown = replace(stated, nm_per_unit=None, within_percent=None)
    result = imported(tmp_path, elsewhere.write_csv(tmp_path / "a.csv"), unknown)
    assert result.uncalibrated.startswith("imported in V without saying how many N·m that is")
    impulse = result.value("impulse_mean")
    assert impulse is not None
    assert impulse.value is None
    assert stated_value(result, "blow_count")[0] == 40


def test_without_a_zero_what_needs_one_is_withheld(tmp_path: Path, stated: Stated):
    result = imported(tmp_path, elsewhere.write_csv(tmp_path / "a.csv"), replace(stated, zeros=()))
    for name in ("peak_mean", "onset"):
        found = result.value(name)
        assert found is not None
        assert "no zero reading" in found.withheld
    assert stated_value(result, "impulse_mean")[0] > 0.0


def test_zeros_on_both_sides_show_what_the_zero_moved(tmp_path: Path, stated: Stated):
    end_s = float(elsewhere.times_s()[-1])
    both = replace(stated, zeros=(Stretch(-0.09, 0.15), Stretch(end_s - 0.2, end_s)))
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        file = elsewhere.write_csv(tmp_path / "a.csv")
        run = bring_in(archive, file, read_foreign(file, Wanted(), both), both)
        kinds = [one.kind for one in archive.all(type(run))]
        zeros = archive.all(Zero)
        facts = gather(archive, run)
    assert kinds == [RunKind.ZERO, RunKind.IMPORT, RunKind.ZERO]
    assert len(zeros) == 2
    assert facts.zero_before is not None
    assert facts.zero_after is not None


def test_missing_rows_and_values_that_are_no_numbers_are_gaps(tmp_path: Path, stated: Stated):
    volts, times = elsewhere.recording()[1].copy(), elsewhere.times_s()
    volts[9000:9003] = np.nan
    kept = np.ones(len(volts), bool)
    kept[12_000:12_050] = False
    np.save(tmp_path / "a.npy", np.column_stack([times[kept], volts[kept]]))
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        foreign = read_foreign(tmp_path / "a.npy", Wanted(), stated)
        run = bring_in(archive, tmp_path / "a.npy", foreign, stated)
        gaps = [(gap.first_index, gap.count) for gap in archive.gaps(run.id)]
        texts = [notice.text for notice in archive.notices(run.id)]
    assert gaps == [(9000, 3), (12_000, 50)]
    assert run.samples_total == len(volts)
    assert texts == ["3 values are no numbers and count as missing"]


def test_clipped_tops_make_lower_bounds(tmp_path: Path, stated: Stated):
    volts = np.minimum(elsewhere.recording()[1], 6.0)
    result = imported(tmp_path, elsewhere.write_csv(tmp_path / "a.csv", volts), stated)
    assert any("samples lie at the converter's limit" in flag for flag in result.flags)
    peak = result.value("peak_max")
    assert peak is not None
    assert peak.beyond is not None
    told = replace(stated, full_scale=6.0)
    assert imported(tmp_path, tmp_path / "a.csv", told).context.run.saturated > 40


def test_the_same_file_comes_in_once(tmp_path: Path, stated: Stated):
    file = elsewhere.write_csv(tmp_path / "a.csv")
    foreign = read_foreign(file, Wanted(), stated)
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        run = bring_in(archive, file, foreign, stated)
        with pytest.raises(PlanError, match=f"was brought in already, as run {run.id[:8]}"):
            bring_in(archive, file, foreign, stated)
        (origin,) = archive.all(Origin)
    assert (origin.run_id, origin.file_name, origin.unit, origin.channel) == (run.id, "a.csv", "V", "CH1")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"within_percent": None}, "how well the torque of this recording is known is not stated"),
        ({"nm_per_unit": 0.0}, "--nm-per-unit is 0: give the N·m that one V stands for"),
        ({"unit": ForeignUnit.NM}, "values are in N·m already, so --nm-per-unit is 1 or -1; drop 50"),
        ({"zeros": (Stretch(-5.0, -4.0),)}, r"not within the recording, -0\.100 to .* s by its own time"),
        ({"zeros": (Stretch(0.0, 0.01),)}, r"holds 200 samples; it takes 0\.05 s and 20 samples"),
        (
            {"zeros": (Stretch(0.1, 0.5),)},
            "of what the whole recording does .limit 10 %., as where the tool strikes",
        ),
        ({"zeros": (Stretch(-0.09, 0.0), Stretch(0.0, 0.1))}, "2 zeros lie on one side"),
    ],
)
def test_what_does_not_fit_together_is_refused(
    tmp_path: Path, stated: Stated, change: dict[str, object], message: str
):
    wrong = replace(stated, **change)  # type: ignore[arg-type]
    file = elsewhere.write_csv(tmp_path / "a.csv")
    foreign = read_foreign(file, Wanted(), wrong)
    with (
        Archive.open(tmp_path / "bench.anviltrace", create=True) as archive,
        pytest.raises(PlanError, match=message),
    ):
        bring_in(archive, file, foreign, wrong)
    with sqlite3.connect(tmp_path / "bench.anviltrace") as connection:
        assert connection.execute("SELECT count(*) FROM run").fetchone() == (0,)
    connection.close()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.xlsx", b"x", r"ends in '\.xlsx'; what can be read: \.csv"),
        ("flat.csv", b"t,x\n0,1\n1,1\n2,1\n", "all values are 1: take another column"),
        ("none.csv", b"t,x\n0,nan\n1,nan\n2,nan\n", "holds no number in x"),
        ("one.csv", b"x\n1\n2\n3\n", "does not say how fast it was sampled: give --rate"),
    ],
)
def test_files_that_cannot_be_taken(tmp_path: Path, stated: Stated, name: str, content: bytes, message: str):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(PlanError, match=message):
        read_foreign(tmp_path / name, Wanted(), stated)


def test_a_missing_file_is_named(tmp_path: Path, stated: Stated):
    with pytest.raises(PlanError, match=r"gone\.csv is no file"):
        read_foreign(tmp_path / "gone.csv", Wanted(), stated)


def written(tmp_path: Path, heading: str, scale: float = 1.0) -> Path:
    rows = (
        f"{at * scale:.3f},{value:.5f}\n"
        for at, value in zip(range(100), np.sin(np.arange(100.0)), strict=True)
    )
    path = tmp_path / "a.csv"
    path.write_text(f"{heading}\n{''.join(rows)}", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("heading", "unit_s", "rate_hz"),
    [
        ("Time (ms),x", None, 1e3),
        ("t_us,x", None, 1e6),
        ("t,x", None, 1.0),
        ("t,x", 1e-3, 1e3),
        ("t [ms],x", 1e-3, 1e3),
    ],
)
def test_the_unit_of_the_times_is_in_their_heading_or_stated(
    tmp_path: Path, stated: Stated, heading: str, unit_s: float | None, rate_hz: float
):
    foreign = read_foreign(written(tmp_path, heading), Wanted(), replace(stated, time_unit_s=unit_s))
    assert foreign.axis.rate_hz == pytest.approx(rate_hz)


def test_headings_that_contradict_what_was_stated_are_told(tmp_path: Path, stated: Stated):
    with pytest.raises(PlanError, match=r"times in 't \(ms\)' have a unit of 0\.001 s, not 1 s as stated"):
        read_foreign(written(tmp_path, "t (ms),x"), Wanted(), replace(stated, time_unit_s=1.0))
    with pytest.raises(PlanError, match=r"the heading 'x \[mV\]' says mV, not V as stated: correct --unit"):
        read_foreign(written(tmp_path, "t,x [mV]"), Wanted(), stated)
    with pytest.raises(PlanError, match=r"says lbf·in, not lbf·ft as stated"):
        read_foreign(written(tmp_path, "t,x (in-lb)"), Wanted(), replace(stated, unit=ForeignUnit.LBF_FT))


def test_what_scpi_writes_for_no_number_is_missing(tmp_path: Path, stated: Stated):
    path = tmp_path / "a.csv"
    path.write_text("t,x\n0,1.5\n1,9.9E+37\n2,-2.5\n3,9.91E+37\n4,1\n", encoding="utf-8")
    foreign = read_foreign(path, Wanted(), stated)
    assert (foreign.index.tolist(), foreign.not_numbers) == ([0, 2, 4], 2)
    assert foreign.extremes == pytest.approx((-2.5, 1.5))


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_clipping_shows_in_a_wav_file_of_any_width(tmp_path: Path, stated: Stated, bits: int):
    """A 24-bit file never reaches the largest number of the 32 bits it is read into."""
    from scipy.io import wavfile

    shares = np.clip(1.5 * np.sin(np.arange(1000) / 20.0), -1.0, 1.0 - 2.0 ** (1 - bits))
    step = 2 ** (32 - bits)
    samples = (np.floor(shares * 2.0 ** (bits - 1)).astype(np.int64) * step).astype(np.int32)
    wavfile.write(tmp_path / "a.wav", 8000, (samples // step).astype(np.int16) if bits == 16 else samples)
    foreign = read_foreign(tmp_path / "a.wav", Wanted(), replace(stated, full_scale=5.0))
    assert foreign.saturated == np.count_nonzero(np.abs(shares) >= 1.0 - 2.0 ** (1 - bits))
    assert foreign.extremes == pytest.approx((-5.0, 5.0), rel=1e-4)


def test_floats_of_a_wav_file_need_their_full_scale_too(tmp_path: Path, stated: Stated):
    from scipy.io import wavfile

    wavfile.write(tmp_path / "a.wav", 8000, np.array([0.5, -0.25, 0.125], np.float32))
    with pytest.raises(LackingError, match=r"shares of a full scale: .* \(1 if they are in V already\)"):
        read_foreign(tmp_path / "a.wav", Wanted(), stated)
    scaled = read_foreign(tmp_path / "a.wav", Wanted(), replace(stated, full_scale=10.0))
    assert scaled.extremes == pytest.approx((-2.5, 5.0))
    wavfile.write(tmp_path / "b.wav", 8000, np.array([7.5, -0.25, 0.125], np.float32))
    with pytest.raises(PlanError, match=r"numbers up to 7\.5, so 1 is not its full scale"):
        read_foreign(tmp_path / "b.wav", Wanted(), replace(stated, full_scale=10.0))
    assert read_foreign(tmp_path / "b.wav", Wanted(), replace(stated, full_scale=1.0)).extremes[1] == 7.5


def test_a_file_that_was_cut_short_is_told_beside_the_numbers(tmp_path: Path, stated: Stated):
    from scipy.io import wavfile

    volts = elsewhere.recording()[1]
    wavfile.write(tmp_path / "a.wav", int(RATE_HZ), np.rint(volts / 10.0 * 32768).astype(np.int16))
    (tmp_path / "a.wav").write_bytes((tmp_path / "a.wav").read_bytes()[:-1000])
    result = imported(tmp_path, tmp_path / "a.wav", replace(stated, zeros=(), full_scale=10.0))
    assert any("1000 bytes shorter than it says" in flag for flag in result.flags)


def test_whatever_stops_an_import_leaves_no_finished_run_without_its_origin(
    tmp_path: Path, stated: Stated, mocker
):
    file = elsewhere.write_csv(tmp_path / "a.csv")
    foreign = read_foreign(file, Wanted(), stated)
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        mocker.patch("anviltrace.archive.recording.Recording.finish", side_effect=KeyboardInterrupt)
        with pytest.raises(KeyboardInterrupt):
            bring_in(archive, file, foreign, replace(stated, zeros=()))
        mocker.stopall()
        (run,) = archive.all(Run)
        assert run.state is RunState.INTERRUPTED
        assert [origin.run_id for origin in archive.all(Origin)] == [run.id]
        assert bring_in(archive, file, foreign, stated).state is RunState.FINISHED


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("lift_v", [0.0, 0.02])
def test_the_rest_of_a_coarse_recorder_is_no_limit(
    tmp_path: Path, stated: Stated, sign: float, lift_v: float
):
    """Of eight bits over 10 V; lifted, noise takes the reading at rest to and fro between two steps."""
    volts = sign * np.rint((elsewhere.recording()[1] + lift_v) * 25.6) / 25.6
    file = elsewhere.write_csv(tmp_path / "a.csv", volts)
    assert read_foreign(file, Wanted(), stated).saturated == 0
    clipped = elsewhere.write_csv(tmp_path / "b.csv", np.clip(volts, -6.0, 6.0))
    assert read_foreign(clipped, Wanted(), stated).saturated > 100
