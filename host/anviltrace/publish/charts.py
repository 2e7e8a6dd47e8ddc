"""The curves of all runs as a static picture: one panel per condition, each run a line of its own.

Drawn with matplotlib's Figure, without its global state. An SVG is the same, byte for byte, for the same
runs; a PNG is for the same version of matplotlib.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from textwrap import fill

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from anviltrace.publish import ink
from anviltrace.publish.curves import Curve, zigzag
from anviltrace.publish.material import Material, scaled
from anviltrace.publish.words import plural

POINTS = 1200
"""Points of a curve's zigzag: about one extreme per pixel of a panel."""
PANEL_IN = (5.2, 2.75)
MARGIN_IN = {"left": 0.75, "right": 0.15, "bottom": 0.5, "top": 0.45}
"""Room around each panel for its labels; fixed, since fitting it would double the time a picture takes."""
TITLE_COLUMNS = 76
ACROSS = 2
SALT = "anviltrace"
"""Ids in an SVG come from this and not from chance."""


def overlay(material: Material) -> Figure:
    """A panel per condition with the curves of its kept runs, all to the same scale of time.

    Panels with the same unit share their scale of torque too. The material must have a curve.
    """
    panels = _panels(material)
    across = min(ACROSS, len(panels))
    down = -(-len(panels) // across)
    figure = Figure(figsize=(PANEL_IN[0] * across, PANEL_IN[1] * down))
    figure.subplots_adjust(**_margins(across, down))
    share_y = len({curves[0].unit for _, _, curves in panels}) == 1
    grid = figure.subplots(down, across, squeeze=False, sharex=True, sharey=share_y)
    for axes, panel in zip(grid.flat, panels, strict=False):
        _draw(axes, material, *panel)
        axes.tick_params(labelbottom=True, labelleft=True)
    for axes in grid.flat[len(panels) :]:
        axes.set_visible(False)
    for column in range(across):
        _label_lowest([row[column] for row in grid])
    return figure


def _margins(across: int, down: int) -> dict[str, float]:
    """The margins as shares of the figure, and between panels as shares of a panel."""
    (width, height), inch = PANEL_IN, MARGIN_IN
    beside, above = inch["left"] + inch["right"], inch["bottom"] + inch["top"]
    return {
        "left": inch["left"] / (width * across),
        "right": 1.0 - inch["right"] / (width * across),
        "bottom": inch["bottom"] / (height * down),
        "top": 1.0 - inch["top"] / (height * down),
        "wspace": beside / (width - beside),
        "hspace": above / (height - above),
    }


def as_bytes(figure: Figure, kind: str) -> bytes:
    """The picture as ``png`` or ``svg``, without a date in it."""
    file = BytesIO()
    metadata = {"Date": None} if kind == "svg" else {"Software": None}
    with matplotlib.rc_context({"svg.hashsalt": SALT}):
        figure.savefig(file, format=kind, dpi=150, metadata=metadata)
    return file.getvalue()


def _panels(material: Material) -> list[tuple[int, str, list[Curve]]]:
    found: dict[int, tuple[str, list[Curve]]] = {}
    for number, group, _, curve in material.drawn():
        found.setdefault(number, (group.label, []))[1].append(curve)
    return [(number, label, curves) for number, (label, curves) in found.items()]


def _draw(axes: Axes, material: Material, number: int, label: str, curves: Sequence[Curve]) -> None:
    factor, unit = scaled(curves[0], material.unit)
    colour = ink.LIGHT[ink.colour(number)]
    for place, curve in enumerate(curves):
        times, values = zigzag(curve, POINTS)
        strength = 1.0 - 0.6 * place / len(curves)
        axes.plot(times, values * factor, color=colour, alpha=strength, linewidth=0.6)
    title = fill(f"{label} ({plural(len(curves), 'run')})", TITLE_COLUMNS)
    axes.set_title(title, fontsize=9.0, loc="left", parse_math=False)
    axes.set_ylabel(f"{'reading' if unit in ('mV/V', 'counts') else 'torque'}, {unit}")
    axes.grid(visible=True, color="0.85", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.margins(x=0.01)


def _label_lowest(column: Sequence[Axes]) -> None:
    """Time is labelled under the lowest panel that is there."""
    lowest = [axes for axes in column if axes.get_visible()][-1]
    lowest.set_xlabel("time after time zero, s")
