"""One run as a picture: the whole curve with blows, level and time marks, and a typical blow at close range.

Drawn with matplotlib's Figure, without its global state; the same run gives the same picture.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from textwrap import wrap

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from anviltrace.metrics.results import BlowTable, RunResult
from anviltrace.publish import ink
from anviltrace.publish.charts import as_bytes
from anviltrace.publish.curves import Curve, zigzag
from anviltrace.publish.folder import write_files
from anviltrace.records import ScaleKind, Settings
from anviltrace.units import TorqueUnit

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

POINTS = 2400
TITLE_WIDTH = 150
MOST_MARKED = 150
"""With more blows than this their marks would cover the curve; then none are drawn on the whole of it."""
_LINE, _PEAK, _LEVEL, _MARK, _DRIVE = ink.LIGHT[0], ink.LIGHT[1], ink.LIGHT[2], "0.35", "0.96"
_BEFORE, _AFTER = 1.5, 6.0
"""The close-up reaches from so many widths before the apex to so many after it."""


def draw_run(result: RunResult, curve: Curve, unit: TorqueUnit) -> Figure:
    """The picture of a run that has at least one sample; ``curve`` is that of the same run."""
    curve = _in_volts(curve, result.context.settings)
    factor, shown = unit.shown(1.0, curve.unit)
    blows = result.blows if result.blows is not None and len(result.blows) else None
    figure = Figure(figsize=(11.0, 4.6), layout="constrained")
    whole, close = figure.subplots(1, 2, width_ratios=(2.2, 1.0))
    figure.suptitle(_title(result), fontsize=10.0, x=0.01, ha="left", parse_math=False)
    _draw_whole(whole, result, curve, factor, blows)
    _draw_close(close, result, curve, factor, blows)
    what = "torque along the rotation" if curve.unit == "N·m" else "reading"
    whole.set_ylabel(f"{what}, {shown}")
    close.set_ylabel(shown if close.axison else "")
    for axes in (whole, close):
        axes.grid(visible=True, color="0.88", linewidth=0.5)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
    _add_legend(figure)
    return figure


def _add_legend(figure: Figure) -> None:
    """Below everything, so that it covers nothing; what both parts show stands there once."""
    named: dict[str, Artist] = {}
    for axes in figure.axes:
        handles, labels = axes.get_legend_handles_labels()
        for handle, label in zip(handles, labels, strict=True):
            named.setdefault(str(label), handle)
    figure.legend(
        list(named.values()), list(named), loc="outside lower left", ncols=5, fontsize=8.0, frameon=False
    )


def write_picture(folder: Path, result: RunResult, curve: Curve, unit: TorqueUnit) -> Path:
    """Write the picture of a run into a folder, named after the run; raises what :func:`write_files` does."""
    name = f"run-{result.context.run.id}.png"
    (file,) = write_files(folder, {name: as_bytes(draw_run(result, curve, unit), "png")})
    return file


def _in_volts(curve: Curve, settings: Settings) -> Curve:
    """Counts of a converter, or of an imported recording, whose volts are known say more in volts."""
    if curve.unit != "counts" or settings.scale_kind is not ScaleKind.VOLTAGE:
        return curve
    volts = curve.values * (settings.full_scale / settings.full_scale_code)
    return replace(curve, values=volts, unit="V")


def _title(result: RunResult) -> str:
    context = result.context
    parts = [f"run {context.run.id[:8]}"]
    parts += [thing.name for thing in (context.tool, context.supply, context.plan) if thing is not None]
    parts.append(f"filter: {result.filter.split(',')[0]}")
    return "\n".join(wrap(", ".join(parts), TITLE_WIDTH))


def _peaks_are(result: RunResult) -> str:
    """What the peaks are: those behind a filter do not lie on the samples."""
    return "peaks of blows" if result.filter == "none" else "peaks behind the filter"


def _counted(result: RunResult, blows: BlowTable) -> Marks:
    """The blows that the numbers are made from: those that begin before the planned drive ends."""
    plan = result.context.plan
    return np.asarray(blows.start_s <= (math.inf if plan is None else plan.drive_s))


def _draw_whole(axes: Axes, result: RunResult, curve: Curve, factor: float, blows: BlowTable | None) -> None:
    times, values = zigzag(curve, POINTS)
    axes.plot(times, values * factor, color=_LINE, linewidth=0.6, label="samples")
    if blows is not None:
        if len(blows) <= MOST_MARKED:
            _draw_peaks(axes, result, blows, factor)
        axes.step(
            np.append(blows.apex_s, curve.last_s),
            _levels(curve, blows) * factor,
            where="post",
            color=_LEVEL,
            linewidth=1.2,
            label="level between blows",
        )
    _draw_marks(axes, result, curve)
    axes.set_xlabel(f"time after {result.time_zero}, s" if result.time_zero else "time, s")
    axes.margins(x=0.01)


def _levels(curve: Curve, blows: BlowTable) -> Numbers:
    """The level after each blow, and at the end; none until the next blow where samples are missing."""
    missing = np.concatenate(([0], np.cumsum(np.isnan(curve.values))))
    bounds = np.append(blows.apex_s, curve.last_s)
    index = np.clip(np.rint((bounds - curve.first_s) * curve.rate_hz).astype(int), 0, len(curve.values))
    levels = np.where(np.diff(missing[index]) > 0, np.nan, blows.level_after_nm)
    return np.append(levels, levels[-1])


def _draw_peaks(axes: Axes, result: RunResult, blows: BlowTable, factor: float) -> None:
    """Those that are not counted are hollow."""
    counted = _counted(result, blows)
    kinds = ((counted, _PEAK, _peaks_are(result)), (~counted, "none", "after the drive, not counted"))
    for which, fill, label in kinds:
        if which.any():
            axes.plot(
                blows.apex_s[which], blows.peak_nm[which] * factor, "v", color=_PEAK, markerfacecolor=fill,
                markersize=3.5, label=label,
            )  # fmt: skip


def _draw_marks(axes: Axes, result: RunResult, curve: Curve) -> None:
    """The drive of the plan and its time marks, as far as the record reaches."""
    plan = result.context.plan
    if plan is None or not result.time_zero:
        return
    if curve.last_s > 0.0:
        axes.axvspan(0.0, min(plan.drive_s, curve.last_s), color=_DRIVE, zorder=0.0, label="planned drive")
    for mark in plan.marks_s:
        if mark <= curve.last_s:
            axes.axvline(mark, color=_MARK, linewidth=0.8, linestyle=(0, (2, 3)))
            axes.annotate(
                f"{mark:g} s", (mark, 1.0), xycoords=("data", "axes fraction"), fontsize=7.5, color=_MARK,
                ha="center", va="bottom",
            )  # fmt: skip


def _draw_close(axes: Axes, result: RunResult, curve: Curve, factor: float, blows: BlowTable | None) -> None:
    if blows is None:
        axes.set_axis_off()
        why = "torque is not known, so no blow is shown" if result.uncalibrated else "no single blow to show"
        axes.text(0.5, 0.5, why, ha="center", va="center", fontsize=9.0)
        return
    singles = _counted(result, blows) & ~blows.double
    number = _typical(blows, singles)
    apex_s, width_s = float(blows.apex_s[number]), float(blows.width_s[number])
    width_s = width_s if np.isfinite(width_s) else 5.0 / curve.rate_hz
    part = curve.between(apex_s - _BEFORE * width_s, apex_s + _AFTER * width_s)
    times_ms = (part.times_s() - apex_s) * 1e3
    axes.plot(times_ms, part.values * factor, ".-", color=_LINE, linewidth=0.9, markersize=4.0)
    apex_nm = blows.peak_nm[number] * factor
    axes.plot([0.0], [apex_nm], "v", color=_PEAK, markersize=6.0, label=_peaks_are(result))
    axes.hlines(blows.level_after_nm[number] * factor, 0.0, times_ms[-1], color=_LEVEL, linewidth=1.2)
    count = np.count_nonzero(singles)
    title = "the only blow" if count == 1 else f"blow {number + 1}, the middle one by peak of {count}"
    axes.set_title(title, fontsize=9.0, loc="left")
    axes.set_xlabel("time after its apex, ms")


def _typical(blows: BlowTable, singles: Marks) -> int:
    """The one of these blows with the median peak, the earlier of two."""
    places = np.flatnonzero(singles)
    return int(places[np.argsort(blows.peak_nm[places], kind="stable")[(len(places) - 1) // 2]])
