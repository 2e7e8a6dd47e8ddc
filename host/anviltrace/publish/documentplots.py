"""The pictures of a calibration as inline SVG, which take their colours from the page.

Drawn with matplotlib's Figure in colours that stand for the page's own; the same calibration gives the
same picture, byte for byte.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from anviltrace.publish.charts import as_bytes
from anviltrace.publish.document import Document
from anviltrace.units import TorqueUnit

SIZE_IN = (4.7, 2.9)
INK, RULE, RISING, FALLING = "#010203", "#040506", "#070809", "#0a0b0c"
_VARIABLES = {INK: "--ink", RULE: "--rule", RISING: "--line-0", FALLING: "--line-1"}
_TEXT: dict[str, Any] = {"fontsize": 9, "color": INK}


def residuals(document: Document, unit: TorqueUnit) -> Markup:
    """How far each reading under load lies off the line, over torque."""

    def draw(axes: Axes) -> None:
        for branch, colour, mark in (("up", RISING, "^"), ("down", FALLING, "v")):
            points = [row for row in document.fit.steps if row.branch == branch]
            if points:
                at = [unit.from_nm(row.reference_nm) for row in points]
                off = [unit.from_nm(row.residual_nm) for row in points]
                axes.plot(at, off, mark, color=colour, markersize=6, label=_WORDS[branch])
        _label(axes, f"reference torque, {unit}", f"reading less line, {unit}")

    return _picture("residuals", "Residuals over torque", draw)


def loop(document: Document, unit: TorqueUnit) -> Markup:
    """Rising and falling readings less the chord from zero to the highest load of their series.

    No picture where no series falls.
    """
    loops = [_Loop.of(list(series), unit) for series in _series(document)]
    if not any(loops):
        return Markup("")

    def draw(axes: Axes) -> None:
        for found in filter(None, loops):
            top = found.top + 1
            axes.plot(found.torque[:top], found.off[:top], "-^", color=RISING, label="rising", **_THIN)
            axes.plot(
                found.torque[found.top :],
                found.off[found.top :],
                "--v",
                color=FALLING,
                label="falling",
                **_THIN,
            )
        _label(axes, f"reference torque, {unit}", f"reading less chord, {unit}")

    return _picture("loop", "Hysteresis loop", draw)


def uncertainty(document: Document, unit: TorqueUnit) -> Markup:
    """Half width of the 95 % interval over torque, as far as torque is not withheld."""
    line = document.fit.line

    def draw(axes: Axes) -> None:
        pieces = [(line.lowest_nm, line.highest_nm, "-", "hung")]
        if line.limit_nm > line.highest_nm:
            pieces.append((line.highest_nm, line.limit_nm, "--", "above the hung weights"))
        for low, high, style, words in pieces:
            at = np.linspace(low, high, 60)
            stated = [unit.from_nm(line.expanded_nm(float(one))) for one in at]
            colour = RISING if style == "-" else FALLING
            axes.plot([unit.from_nm(float(one)) for one in at], stated, style, color=colour, label=words)
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
        _label(axes, f"torque, {unit}", f"± U (95 %), {unit}")

    return _picture("uncertainty", "Expanded uncertainty over torque", draw)


_WORDS = {"up": "rising", "down": "falling"}
_THIN: dict[str, Any] = {"linewidth": 1.0, "markersize": 5}


@dataclass(frozen=True, slots=True)
class _Loop:
    """Torques and departures from the chord of one series in order of time; ``top`` is the highest load."""

    torque: list[float]
    off: list[float]
    top: int

    @classmethod
    def of(cls, series: list[tuple[float, float, str]], unit: TorqueUnit) -> _Loop | None:
        """The loop of (torque in N·m, net counts, branch) of a series; None where it does not fall."""
        if all(branch != "down" for _, _, branch in series):
            return None
        torque_nm, counts, _ = zip(*series, strict=True)
        top = max(range(len(series)), key=lambda place: abs(torque_nm[place]))
        slope = (counts[top] - counts[0]) / torque_nm[top]
        off = [(count - counts[0]) / slope - at_nm for count, at_nm in zip(counts, torque_nm, strict=True)]
        return cls([unit.from_nm(one) for one in torque_nm], [unit.from_nm(one) for one in off], top)


def _series(document: Document) -> Iterator[Iterator[tuple[float, float, str]]]:
    for _, group in itertools.groupby(document.rows(), key=lambda pair: pair[0].step.series):
        yield ((row.reference_nm, row.net_counts, row.branch) for _, row in group)


def _label(axes: Axes, x_text: str, y_text: str) -> None:
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set_xlabel(x_text, **_TEXT)
    axes.set_ylabel(y_text, **_TEXT)
    axes.grid(visible=True, color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_facecolor("none")
    axes.spines[["top", "right"]].set_visible(False)
    for spine in axes.spines.values():
        spine.set_color(INK)
    axes.tick_params(colors=INK, labelsize=8.5)
    handles = dict(zip(*reversed(axes.get_legend_handles_labels()), strict=True))
    if len(handles) > 1:
        axes.figure.legend(
            handles.values(), handles.keys(), loc="upper right", ncols=2, frameon=False, labelcolor=INK,
            fontsize=8.5, borderaxespad=0.0,
        )  # fmt: skip


def _picture(name: str, title: str, draw: Callable[[Axes], None]) -> Markup:
    """The SVG of a picture, with ids of its own, without what belongs to a file on its own."""
    figure = Figure(figsize=SIZE_IN)
    figure.patch.set_alpha(0.0)
    figure.subplots_adjust(left=0.15, right=0.97, bottom=0.17, top=0.91)
    draw(figure.add_subplot())
    with matplotlib.rc_context({"svg.fonttype": "none"}):
        svg = as_bytes(figure, "svg").decode("utf-8")
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    svg = re.sub(r'(\bid="|href="#|url\(#)', rf"\1{name}-", svg)
    for colour, variable in _VARIABLES.items():
        svg = svg.replace(colour, f"var({variable})")
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{title}" ', 1))
