"""The chart that zooms from whole runs to a single blow: a Bokeh figure and the samples beside it.

The figure comes with empty lines. The page's own script fills them from the packed samples with what can be
seen at the present zoom, so that every peak is there at any zoom; nothing of it needs ``eval``.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
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


def chart(material: Material, target: str) -> dict[str, Any]:
    """Everything the page's script needs to show the chart in the element with the id ``target``.

    ``item`` is Bokeh's, ``curves`` holds one entry per line of the figure: its condition, label, step, rate
    and packed samples; ``window`` what the chart shows first.
    """
    curves = _equal_units(list(material.drawn()))
    factor = condensing([curve for *_, curve in curves])
    packed = [_packed(material, number, label, condense(curve, factor)) for number, label, curve in curves]
    unit = scaled(curves[0][2], material.unit)[1] if curves else ""
    window = _window(material, [curve for *_, curve in curves])
    return {
        "item": json_item(_figure(packed, unit, window), target),  # type: ignore[arg-type]
        "curves": packed,
        "window": window,
        "unit": unit,
        "condensed": max(factor, 1) if factor >= 3 else 1,
    }


def as_data_block(data: Any) -> str:
    """JSON that is safe inside a script element of type application/json."""
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def condensing(curves: Sequence[Curve]) -> int:
    """By which factor curves must be condensed to stay within the file's budget, 1 if not at all."""
    total = sum(len(curve.values) for curve in curves)
    return 1 if total <= MOST_SAMPLES else max(3, -(-2 * total // MOST_SAMPLES))


def _equal_units(drawn: list[Any]) -> list[tuple[int, str, Curve]]:
    """The curves that share the leading unit, high ones first: counts and torque do not go into one chart."""
    named = [
        (number, f"{group.condition.short_label}, run {place(result, group)}", curve)
        for number, group, result, curve in drawn
    ]
    unit = "N·m" if any(curve.unit == "N·m" for *_, curve in named) else named[0][2].unit
    return sorted((entry for entry in named if entry[2].unit == unit), key=_height, reverse=True)


def _height(entry: tuple[int, str, Curve]) -> float:
    """The greatest value: high curves are drawn first, so that low ones stay visible before them."""
    return float(np.nanmax(entry[2].values, initial=-np.inf))


def place(result: Any, group: Any) -> int:
    """The number of a run among the kept ones of its condition, from 1."""
    return int(group.kept.index(result)) + 1


def _packed(material: Material, number: int, label: str, curve: Curve) -> dict[str, Any]:
    step, codes = pack(curve)
    return {
        "condition": number,
        "label": label,
        "first_s": curve.first_s,
        "rate_hz": curve.rate_hz,
        "step": step * scaled(curve, material.unit)[0],
        "samples": base64.b64encode(codes).decode("ascii"),
        "blows_s": _blow_starts(material, curve),
    }


def _blow_starts(material: Material, curve: Curve) -> list[float]:
    """Starts of the blows after time zero, in seconds, to a tenth of a millisecond."""
    for result in material.results:
        if result.context.run.id == curve.run_id and result.blows is not None:
            return [round(float(start), 4) for start in result.blows.start_s]
    return []


def _window(material: Material, curves: Sequence[Curve]) -> dict[str, float]:
    """The whole of all curves with a margin."""
    if not curves:
        return {"start": 0.0, "end": 1.0, "low": 0.0, "high": 1.0}
    factor = scaled(curves[0], material.unit)[0]
    low = factor * min(float(np.nanmin(curve.values)) for curve in curves)
    high = factor * max(float(np.nanmax(curve.values)) for curve in curves)
    margin = 0.05 * (high - low) or 1.0
    return {
        "start": min(curve.first_s for curve in curves),
        "end": max(curve.last_s for curve in curves),
        "low": low - margin,
        "high": high + margin,
    }


def _figure(packed: Sequence[dict[str, Any]], unit: str, window: dict[str, float]) -> Any:
    plot = figure(
        name="curves",
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
        y_axis_label=f"torque along the rotation, {unit}" if unit != "counts" else "reading, counts",
        background_fill_color=None,
        border_fill_color=None,
        outline_line_color=None,
        output_backend="canvas",
    )
    plot.toolbar.logo = None
    for entry in packed:
        _line(plot, entry)
    plot.add_tools(_hover(unit))
    return plot


def _line(plot: Any, entry: dict[str, Any]) -> None:
    number = entry["condition"]
    plot.line(
        "x",
        "y",
        source=ColumnDataSource({"x": [], "y": []}),
        name=entry["label"],
        line_color=ink.LIGHT[ink.colour(number)],
        line_dash=list(ink.dash(number)),
        line_width=1.25,
    )


def _hover(unit: str) -> HoverTool:
    return HoverTool(
        tooltips=[("", "$name"), ("time", "@x{0.00000} s"), ("torque", f"@y{{0.00}} {unit}")],
        mode="mouse",
        line_policy="nearest",
    )
