"""The chart that zooms from whole runs to a single blow: a Bokeh figure and the samples beside it.

The figure comes with empty lines. The page's own script fills them from the packed samples with what can be
seen at the present zoom, so that every peak is there at any zoom; nothing of it needs ``eval``.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from bokeh.embed import json_item
from bokeh.models import ColumnDataSource, HoverTool, Range1d
from bokeh.plotting import figure
from bokeh.resources import Resources

from anviltrace.publish import ink
from anviltrace.publish.curves import Curve, condense, pack
from anviltrace.publish.material import Material, scaled

MOST_SAMPLES = 2_500_000
"""More samples than this together are condensed, each pair standing for several: a file of some 8 MB."""
SHORTEST_WINDOW_S = 0.0005


def script() -> str:
    """BokehJS without widgets, from the installed package."""
    text: str = Resources(mode="inline", components=["bokeh"]).js_raw[0]
    return text


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One line of a chart: a run, the number of its condition, when its blows start (s after time zero)."""

    condition: int
    label: str
    curve: Curve
    blows_s: tuple[float, ...]


def charts(material: Material) -> list[dict[str, Any]]:
    """A chart per plan, in the order of the conditions, as the page and its script need it.

    Runs whose torque is not known get a chart of their readings of their own. ``item`` is Bokeh's, for the
    element called ``name``; ``conditions`` are the numbers of those in it; ``curves`` has an entry per line
    of the figure: condition, step, rate and packed samples; ``window`` is what the chart shows first.
    """
    by_heading: dict[tuple[str, str], list[Line]] = {}
    for line, heading in _lines(material):
        by_heading.setdefault((heading, line.curve.unit), []).append(line)
    factor = condensing([line.curve for lines in by_heading.values() for line in lines])
    return [
        _chart(material, f"chart-{place}", heading, lines, factor)
        for place, ((heading, _), lines) in enumerate(by_heading.items())
    ]


def _lines(material: Material) -> Iterator[tuple[Line, str]]:
    """Every curve with a sample in it, and the plan it belongs to."""
    for number, group, result, curve in material.drawn():
        if np.any(np.isfinite(curve.values)):
            label = f"{group.condition.short_label}, run {group.kept.index(result) + 1}"
            blows = () if result.blows is None else tuple(round(float(t), 4) for t in result.blows.start_s)
            yield Line(number, label, curve, blows), group.condition.plan_name


def _chart(material: Material, name: str, heading: str, lines: Sequence[Line], factor: int) -> dict[str, Any]:
    """High curves are drawn first, so that low ones stay in sight before them."""
    by_height = sorted(lines, key=lambda line: float(np.nanmax(line.curve.values)), reverse=True)
    scale, unit = scaled(lines[0].curve, material.unit)
    window = _window([line.curve for line in lines], scale)
    return {
        "name": name,
        "heading": heading,
        "conditions": sorted({line.condition for line in lines}),
        "item": json_item(_figure(by_height, name, unit, window), name),  # type: ignore[arg-type]
        "curves": [_packed(line, factor, scale) for line in by_height],
        "window": window,
        "unit": unit,
        "condensed": factor,
    }


def as_data_block(data: Any) -> str:
    """JSON that is safe inside a script element of type application/json."""
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def condensing(curves: Sequence[Curve]) -> int:
    """By which factor curves must be condensed to stay within the file's budget, 1 if not at all."""
    total = sum(len(curve.values) for curve in curves)
    return 1 if total <= MOST_SAMPLES else max(3, -(-2 * total // MOST_SAMPLES))


def _packed(line: Line, factor: int, scale: float) -> dict[str, Any]:
    curve = condense(line.curve, factor)
    step, codes = pack(curve)
    return {
        "condition": line.condition,
        "first_s": curve.first_s,
        "rate_hz": curve.rate_hz,
        "step": step * scale,
        "samples": base64.b64encode(codes).decode("ascii"),
        "blows_s": line.blows_s,
    }


def _window(curves: Sequence[Curve], scale: float) -> dict[str, float]:
    """The whole of all curves with a margin."""
    low = scale * min(float(np.nanmin(curve.values)) for curve in curves)
    high = scale * max(float(np.nanmax(curve.values)) for curve in curves)
    margin = 0.05 * (high - low) or 1.0
    return {
        "start": min(curve.first_s for curve in curves),
        "end": max(curve.last_s for curve in curves),
        "low": low - margin,
        "high": high + margin,
    }


def _figure(lines: Sequence[Line], name: str, unit: str, window: dict[str, float]) -> Any:
    plot = figure(
        name=name,
        height=440,
        sizing_mode="stretch_width",
        tools="xpan,xwheel_zoom,box_zoom,reset,save",
        active_drag="xpan",
        active_scroll="xwheel_zoom",
        x_range=Range1d(
            start=window["start"],
            end=window["end"],
            bounds=(window["start"], window["end"]),
            min_interval=SHORTEST_WINDOW_S,
        ),
        y_range=Range1d(start=window["low"], end=window["high"]),
        x_axis_label="time after time zero, s",
        y_axis_label=f"{quantity(unit)} along the rotation, {unit}",
        background_fill_color=None,
        border_fill_color=None,
        outline_line_color=None,
        output_backend="canvas",
    )
    plot.toolbar.logo = None
    for line in lines:
        _add(plot, line)
    plot.add_tools(_hover(unit))
    return plot


def _add(plot: Any, line: Line) -> None:
    plot.line(
        "x",
        "y",
        source=ColumnDataSource({"x": [], "y": []}),
        name=line.label,
        line_color=ink.LIGHT[ink.colour(line.condition)],
        line_dash=list(ink.dash(line.condition)),
        line_width=1.25,
    )


def _hover(unit: str) -> HoverTool:
    return HoverTool(
        tooltips=[("", "$name"), ("time", "@x{0.00000} s"), (quantity(unit), f"@y{{0.00}} {unit}")],
        mode="mouse",
        line_policy="nearest",
    )


def quantity(unit: str) -> str:
    """What is drawn: torque, or readings where it is not known."""
    return "reading" if unit in ("mV/V", "counts") else "torque"
