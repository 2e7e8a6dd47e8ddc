"""Side channels and ratings in the report: opinions stand apart and say so."""

from __future__ import annotations

from dataclasses import replace

from htmlreader import Reader
from sample_report import HOSTILE, material

from anviltrace.metrics.results import RunResult
from anviltrace.publish.page import render
from anviltrace.records import Quantity, Rating, SideChannel, Spread

RUN = "00000000-0000-4000-8000-000000000001"
CHANNEL = SideChannel(
    "00000000-0000-4000-8000-000000000002", RUN, Quantity.SUPPLY_VOLTAGE, "V", 500.0, 0.0, 0.0, 0.001, 0.0,
    0.01, 0.0, Spread.RECTANGULAR, -9, 9, "2026-05-04T08:30:00.000Z", f"divider {HOSTILE}", "pack.csv",
    samples=800,
)  # fmt: skip
RATING = Rating(
    "00000000-0000-4000-8000-000000000003", RUN, 7, HOSTILE, "2026-05-04T08:17:00.000Z", "short handle"
)


def rated(result: RunResult) -> RunResult:
    return replace(result, context=replace(result.context, sides=(CHANNEL,), ratings=(RATING,)))


def test_a_run_names_its_side_channels_and_what_it_felt_like() -> None:
    sample = material(repeats=1, drive_s=0.2)
    page = render(replace(sample, results=tuple(rated(one) for one in sample.results)))
    reader = Reader(page)
    assert f"supply voltage: 800 samples at 500 a second, divider {HOSTILE}, from pack.csv" in reader.text
    assert (
        "How hard it was to hold (opinions, not measured; 1 not at all, 10 as much as one can)" in reader.text
    )
    assert f"7 of 10, {HOSTILE}: short handle" in reader.text
    assert HOSTILE not in page
    assert "opinions, not measured" not in Reader(render(sample)).text
