"""WAV, Parquet and NumPy files: the same samples come out, and what is not in them is asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from anviltrace.errors import PlanError
from anviltrace.exchange.arrayfile import read_array
from anviltrace.exchange.columns import Wanted
from anviltrace.exchange.tablefile import read_parquet
from anviltrace.exchange.wavefile import read_wave

VALUES = np.array([0, 100, -32768, 32767, 5])


class Touching:
    """Whoever unpickles it makes a file."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __reduce__(self):
        return Path.touch, (self._path,)


@pytest.mark.parametrize(
    ("dtype", "code", "expected"),
    [
        (np.int16, 2**15, [0, 100, -32768, 32767, 5]),
        (np.int32, 2**31, [0, 100, -32768, 32767, 5]),
        (np.uint8, 128, [-128, -28, -128, 127, -123]),
    ],
)
def test_whole_numbers_of_a_wav_file_stay_as_they_are(tmp_path: Path, dtype, code: int, expected: list[int]):
    samples = np.clip(VALUES, 0, 255).astype(dtype) if dtype is np.uint8 else VALUES.astype(dtype)
    wavfile.write(tmp_path / "tone.wav", 48_000, samples)
    columns = read_wave(tmp_path / "tone.wav", Wanted())
    assert (columns.rate_hz, columns.full_scale_code, columns.times) == (48_000.0, code, None)
    assert columns.values.dtype == np.int32
    assert columns.values.tolist() == expected


def test_floats_of_a_wav_file_are_shares_of_its_full_scale(tmp_path: Path):
    wavfile.write(tmp_path / "tone.wav", 8000, np.array([0.5, -0.25], np.float32))
    columns = read_wave(tmp_path / "tone.wav", Wanted())
    assert (columns.full_scale_code, columns.of_full_scale) == (None, True)
    assert columns.values.tolist() == [0.5, -0.25]


def test_one_of_two_channels_must_be_wished_for(tmp_path: Path):
    wavfile.write(tmp_path / "two.wav", 8000, np.array([[1, 2], [3, 4]], np.int16))
    with pytest.raises(PlanError, match="has 2 channels: say which to take with --column 1 or --column 2"):
        read_wave(tmp_path / "two.wav", Wanted())
    assert read_wave(tmp_path / "two.wav", Wanted("2")).values.tolist() == [2, 4]
    with pytest.raises(PlanError, match="no column of times"):
        read_wave(tmp_path / "two.wav", Wanted("2", "1"))


def test_what_is_no_wav_file_is_refused(tmp_path: Path):
    (tmp_path / "tone.wav").write_bytes(b"nothing of the kind")
    with pytest.raises(PlanError, match="cannot be read as WAV"):
        read_wave(tmp_path / "tone.wav", Wanted())


def test_wav_files_that_were_cut_short(tmp_path: Path):
    wavfile.write(tmp_path / "whole.wav", 8000, np.arange(2000, dtype=np.int16).reshape(-1, 2))
    whole = (tmp_path / "whole.wav").read_bytes()
    assert read_wave(tmp_path / "whole.wav", Wanted("1")).remark == ""
    cut = tmp_path / "cut.wav"
    cut.write_bytes(whole[:-400])
    columns = read_wave(cut, Wanted("1"))
    assert columns.values.tolist() == list(range(0, 1800, 2))
    assert columns.remark == "the file is 400 bytes shorter than it says: the end of the recording is missing"
    for bytes_left in (len(whole) - 402, 44, 30, 20, 3):
        cut.write_bytes(whole[:bytes_left])
        with pytest.raises(PlanError, match=r"cannot be read as WAV|holds 0 samples"):
            read_wave(cut, Wanted("1"))
    cut.write_bytes(whole[:4] + b"\xff" * 4 + whole[8:])  # as written into a pipe
    assert read_wave(cut, Wanted("1")).remark == ""


@pytest.mark.parametrize(("unit", "steps"), [("s", 1), ("ms", 10), ("us", 125), ("ns", 50_000)])
@pytest.mark.parametrize("kind", ["timestamp", "duration"])
def test_dates_of_a_parquet_file_are_seconds_from_the_first_on(
    tmp_path: Path, unit: str, steps: int, kind: str
):
    arrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    per_second = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[unit]
    ticks = arrow.array(1_760_000_000 * per_second + np.arange(4) * steps)
    table = arrow.table({"at": ticks.cast(getattr(arrow, kind)(unit)), "torque": [1.0, 2.0, 3.0, 4.0]})
    parquet.write_table(table, tmp_path / "run.parquet")
    columns = read_parquet(tmp_path / "run.parquet", Wanted())
    assert columns.times is not None
    assert columns.times == pytest.approx(np.arange(4) * steps / per_second, rel=1e-12)
    assert columns.time_unit_s == 1.0
    with pytest.raises(PlanError, match="column 'at' does not hold numbers"):
        read_parquet(tmp_path / "run.parquet", Wanted("at", "torque"))


def test_parquet(tmp_path: Path):
    arrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    table = arrow.table({"t": [0.0, 0.1, 0.2], "torque": [1.0, None, 3.0], "who": ["a", "b", "c"]})
    parquet.write_table(table, tmp_path / "run.parquet")
    columns = read_parquet(tmp_path / "run.parquet", Wanted("torque", "t"))
    assert columns.times is not None
    assert columns.times.tolist() == [0.0, 0.1, 0.2]
    assert np.isnan(columns.values).tolist() == [False, True, False]
    with pytest.raises(PlanError, match="column 'who' does not hold numbers"):
        read_parquet(tmp_path / "run.parquet", Wanted("who", "t"))
    both = arrow.table([[0, 1], [2, 3], [4, 5]], names=["t", "v", "v"])
    parquet.write_table(both, tmp_path / "both.parquet")
    assert read_parquet(tmp_path / "both.parquet", Wanted("3", "t")).values.tolist() == [4, 5]
    with pytest.raises(PlanError, match="has 2 columns 'v': say which with --column 2 or 3"):
        read_parquet(tmp_path / "both.parquet", Wanted("v", "t"))
    days = arrow.table({"t": arrow.array([1, 2], "int32").cast("date32"), "v": [1.0, 2.0]})
    parquet.write_table(days, tmp_path / "days.parquet")
    with pytest.raises(PlanError, match="column 't' holds days: every sample needs a time"):
        read_parquet(tmp_path / "days.parquet", Wanted())
    (tmp_path / "none.parquet").write_bytes(b"none")
    with pytest.raises(PlanError, match="cannot be read as Parquet"):
        read_parquet(tmp_path / "none.parquet", Wanted())


def test_parquet_without_pyarrow_says_what_to_install(tmp_path: Path, mocker):
    mocker.patch.dict("sys.modules", {"pyarrow": None})
    with pytest.raises(PlanError, match=r"need pyarrow, .* pip install 'anviltrace\[table\]'"):
        read_parquet(tmp_path / "run.parquet", Wanted())


def test_arrays(tmp_path: Path):
    np.save(tmp_path / "one.npy", np.array([1, 2, 3], np.int16))
    assert read_array(tmp_path / "one.npy", Wanted()).values.tolist() == [1.0, 2.0, 3.0]
    np.save(tmp_path / "two.npy", np.array([[0.0, 7.0], [1.0, 8.0]]))
    two = read_array(tmp_path / "two.npy", Wanted())
    assert two.times is not None
    assert (two.times.tolist(), two.values.tolist()) == ([0.0, 1.0], [7.0, 8.0])
    np.save(tmp_path / "lying.npy", np.array([[0, 1, 2], [7, 8, 9]], order="F"))
    lying = read_array(tmp_path / "lying.npy", Wanted())
    assert lying.times is not None
    assert (lying.times.tolist(), lying.values.tolist()) == ([0, 1, 2], [7, 8, 9])
    np.savez(tmp_path / "named.npz", torque=np.array([4.0, 5.0]), extra=np.zeros(3))
    assert read_array(tmp_path / "named.npz", Wanted("torque")).values.tolist() == [4.0, 5.0]


def test_arrays_that_cannot_be_taken(tmp_path: Path):
    np.save(tmp_path / "cube.npy", np.zeros((2, 2, 2)))
    with pytest.raises(PlanError, match=r"shape \(2, 2, 2\): give \(n,\) or \(n, columns\)"):
        read_array(tmp_path / "cube.npy", Wanted())
    np.save(tmp_path / "complex.npy", np.zeros(3, np.complex128))
    with pytest.raises(PlanError, match="not a row of real numbers"):
        read_array(tmp_path / "complex.npy", Wanted())
    (tmp_path / "none.npy").write_bytes(b"none")
    with pytest.raises(PlanError, match="cannot be read as a NumPy file"):
        read_array(tmp_path / "none.npy", Wanted())
    np.save(tmp_path / "things.npy", np.array([Touching(tmp_path / "touched")]), allow_pickle=True)
    with pytest.raises(PlanError, match="cannot be read as a NumPy file"):
        read_array(tmp_path / "things.npy", Wanted())
    assert not (tmp_path / "touched").exists()
    np.savez(tmp_path / "uneven.npz", t=np.arange(3), v=np.arange(4))
    with pytest.raises(PlanError, match="'t' holds 3 times and 'v' 4 values"):
        read_array(tmp_path / "uneven.npz", Wanted())
    np.savez(tmp_path / "empty.npz")
    with pytest.raises(PlanError, match="holds no array"):
        read_array(tmp_path / "empty.npz", Wanted())
    (tmp_path / "cut.npz").write_bytes((tmp_path / "uneven.npz").read_bytes()[:-30])
    with pytest.raises(PlanError, match="cannot be read as a NumPy file"):
        read_array(tmp_path / "cut.npz", Wanted())


def test_many_columns_are_not_all_listed(tmp_path: Path):
    np.save(tmp_path / "wide.npy", np.zeros((50, 40)))
    with pytest.raises(PlanError, match=r"has 40 columns \(column 1, .*, column 12 and 28 more\): say which"):
        read_array(tmp_path / "wide.npy", Wanted())
