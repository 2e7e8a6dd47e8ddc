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
    with pytest.raises(PlanError, match=r"line 5: 'abc' is no number: mend that row"):
        read_text(written(tmp_path, "t,x\n0,1\n\n1,2\n2,abc\n"), Wanted())


def test_a_file_without_numbers_is_refused(tmp_path: Path):
    with pytest.raises(PlanError, match=r"none of the first 2 lines holds numbers only"):
        read_text(written(tmp_path, "to whom it may concern\nnothing here\n"), Wanted())


@pytest.mark.parametrize(
    ("row", "cells"), [("2,1,003.5", 3), ('2,"1,003.5"', 3), ("# the tool was changed", 1), ("2", 1)]
)
def test_a_row_of_another_length_is_named(tmp_path: Path, row: str, cells: int):
    """A thousand set apart by a comma must not be taken for two columns."""
    path = written(tmp_path, f"t,x\n0,998.5\n1,999.5\n{row}\n3,1\n")
    with pytest.raises(PlanError, match=f"line 4: {cells} cells where the first row of numbers has 2 "):
        read_text(path, Wanted())


def test_thousands_set_apart_are_not_taken_for_decimals(tmp_path: Path):
    with pytest.raises(PlanError, match=r"'1,000' may have a decimal comma or thousands set apart"):
        read_text(written(tmp_path, "t;x\n0;1,000\n1;1,001\n2;1,002\n"), Wanted())
    with pytest.raises(PlanError, match=r"line 4: '1\.000\.5' is no number"):
        read_text(written(tmp_path, "t;x\n0;998,5\n1;999,5\n2;1.000,5\n"), Wanted())


def test_decimal_commas_may_begin_below_the_first_row(tmp_path: Path):
    columns = read_text(written(tmp_path, "t;x\n0;0\n0,001;0,042\n0,002;1,5\n"), Wanted())
    assert columns.times is not None
    assert columns.times.tolist() == [0.0, 0.001, 0.002]
    assert columns.values.tolist() == [0.0, 0.042, 1.5]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "cp1252"])
def test_encodings_of_other_programs(tmp_path: Path, encoding: str):
    columns = read_text(written(tmp_path, "t (µs);K\n0;1,5\n1;2,5\n", encoding), Wanted())
    assert columns.clock == "t (µs)"
    assert columns.values.tolist() == [1.5, 2.5]


@pytest.mark.parametrize(
    ("above", "headings"),
    [
        ("Time,CH1,CH2\n(ms),(V),(V)\n\n", ("Time (ms)", "CH1 (V)")),
        ("Time,CH1,CH2\ns,V,\n", ("Time (s)", "CH1 (V)")),
        ("# made here\n# t, CH1, CH2\n", ("t", "CH1")),
    ],
)
def test_units_and_marks_around_headings(tmp_path: Path, above: str, headings: tuple[str, str]):
    columns = read_text(written(tmp_path, f"{above}0,1.5,7\n1,2.5,7\n"), Wanted("CH1"))
    assert (columns.clock, columns.channel) == headings


def test_empty_cells_are_missing_values(tmp_path: Path):
    path = written(tmp_path, "t,a,b\n0,1.5,\n1,,2\n2,3.5,\n\n3,,\n")
    assert str(read_text(path, Wanted("a")).values.tolist()) == "[1.5, nan, 3.5, nan]"
    assert str(read_text(path, Wanted("b")).values.tolist()) == "[nan, 2.0, nan, nan]"


def test_every_second_line_may_be_empty(tmp_path: Path):
    assert read_text(written(tmp_path, "t,x\n\n0,1\n\n1,2\n\n2,3\n\n"), Wanted()).values.tolist() == [1, 2, 3]


def test_nothing_is_taken_for_a_time_but_what_is_called_one(tmp_path: Path):
    rows = "0,1,2\n1,2,3\n2,3,4\n"
    for first in ("torque", "temperature", "trigger"):
        assert read_text(written(tmp_path, f"{first},a,b\n{rows}"), Wanted("a")).times is None
    for first in ("t", "Time [s]", "Zeit", "x (ms)", "t_us"):
        assert read_text(written(tmp_path, f"{first},a,b\n{rows}"), Wanted("a")).times is not None


def test_an_empty_file_is_called_so(tmp_path: Path):
    with pytest.raises(PlanError, match="the file is empty: export it as CSV"):
        read_text(written(tmp_path, "\n\n"), Wanted())
