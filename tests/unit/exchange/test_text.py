"""Text files as oscilloscopes, loggers and spreadsheets write them."""

from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Wanted
from anviltrace.exchange.textfile import read_text

SCOPE = "Model,bench scope\nSample Interval,0.001,s\nRecord Length,4\n\nTIME,CH1,CH2\n" + "".join(
    f"{n / 1000:.3f},{n * 1.5},{-n}\n" for n in range(4)
)


def written(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "scope.csv"
    path.write_text(text, encoding=encoding)
    return path


@pytest.mark.parametrize(
    "text",
    [
        "t,torque\n0,1.5\n1,2.5\n2,-3\n",
        "t;torque\n0;1,5\n1;2,5\n2;-3\n",
        "t\ttorque\n0\t1,5\n1\t2,5\n2\t-3\n",
        "0 1.5\n1   2.5\n2 -3\n",
        '"t","torque"\r\n"0","1.5"\r\n"1","2.5"\r\n"2","-3"\r\n',
        "\ufeffmade by a logger\n\n0, 1.5,\n1, 2.5,\n2, -3,\n",
    ],
    ids=["comma", "semicolon and decimal comma", "tab", "blanks", "quoted", "mark and trailing comma"],
)
def test_separators_decimals_and_quotes(tmp_path: Path, text: str):
    columns = read_text(written(tmp_path, text), Wanted())
    assert columns.times is not None
    assert columns.times.tolist() == [0.0, 1.0, 2.0]
    assert columns.values.tolist() == [1.5, 2.5, -3.0]


def test_lines_above_the_numbers_are_passed_over(tmp_path: Path):
    path = written(tmp_path, SCOPE)
    columns = read_text(path, Wanted("CH2", "TIME"))
    assert (columns.channel, columns.clock) == ("CH2", "TIME")
    assert columns.values.tolist() == [0.0, -1.0, -2.0, -3.0]
    by_number = read_text(path, Wanted("2"))
    assert (by_number.channel, by_number.clock) == ("CH1", "TIME")


def test_one_column_has_no_times(tmp_path: Path):
    columns = read_text(written(tmp_path, "torque\n1\n2\n3\n"), Wanted())
    assert columns.times is None
    assert columns.values.tolist() == [1.0, 2.0, 3.0]


def test_several_columns_need_a_wish(tmp_path: Path):
    with pytest.raises(PlanError, match=r"has 3 columns \(TIME, CH1, CH2\): say which to take with --column"):
        read_text(written(tmp_path, SCOPE), Wanted())
    with pytest.raises(PlanError, match=r"has no column 'CH3' for --column; it has 3: TIME, CH1, CH2"):
        read_text(written(tmp_path, SCOPE), Wanted("CH3"))


def test_a_cell_that_is_no_number_is_named(tmp_path: Path):
    with pytest.raises(PlanError, match=r"below line 1 .*'abc'"):
        read_text(written(tmp_path, "t,x\n0,1\n1,2\n2,abc\n"), Wanted())


def test_a_file_without_numbers_is_refused(tmp_path: Path):
    with pytest.raises(PlanError, match=r"none of the first 2 lines holds numbers only"):
        read_text(written(tmp_path, "to whom it may concern\nnothing here\n"), Wanted())
