"""Small pictures of one run as inline SVG: they need no script and take their colours from the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from anviltrace.publish.curves import Curve, Numbers, zigzag

WIDTH, HEIGHT = 360, 210
LEFT, RIGHT, TOP, BOTTOM = 52, 8, 10, 38
POINTS = 600


@dataclass(frozen=True, slots=True)
class Frame:
    """The plane of a picture: what its edges stand for."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        """Where a value lies across, in pixels."""
        return LEFT + (value - self.x_low) / (self.x_high - self.x_low) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Where a value lies down, in pixels."""
        return HEIGHT - BOTTOM - (value - self.y_low) / (self.y_high - self.y_low) * (HEIGHT - TOP - BOTTOM)


def sketch(
    curve: Curve,
    title: str,
    unit: str,
    *,
    scale: float = 1.0,
    ticks_s: Sequence[float] = (),
    dots: bool = False,
    milliseconds: bool = False,
) -> Markup:
    """A picture of ``curve``; ``unit`` names its values times ``scale``.

    ``ticks_s`` are marked below the curve. With ``dots`` every sample is a dot (for few samples); with
    ``milliseconds`` times count from the start of the curve. An empty curve gives no picture.
    """
    times, values = zigzag(curve, POINTS)
    values = values * scale
    if not np.any(np.isfinite(values)):
        return Markup("")
    times_unit = "s"
    if milliseconds:
        times, times_unit = (times - curve.first_s) * 1000.0, "ms"
    frame = _frame(times, values)
    parts = [
        Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">').format(WIDTH, HEIGHT, title),
        *_grid(frame),
        *(_tick(frame, mark) for mark in ticks_s if frame.x_low <= mark <= frame.x_high),
        Markup('<path class="line" d="{}"/>').format(_path(frame, times, values)),
        *(_dots(frame, times, values) if dots else []),
        Markup('<text class="label" x="{}" y="{}" text-anchor="middle">time, {}</text>').format(
            (WIDTH + LEFT - RIGHT) // 2, HEIGHT - 5, times_unit
        ),
        Markup('<text class="label" x="{}" y="{}" transform="rotate(-90 11 {})">{}</text>').format(
            11, HEIGHT - BOTTOM, HEIGHT - BOTTOM, unit
        ),
        Markup("</svg>"),
    ]
    return Markup("").join(parts)


def ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round numbers between ``low`` and ``high`` (which is larger), at most ``most`` + 1 of them."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(number * step, 12) for number in range(first, last + 1)]


def _frame(times: Numbers, values: Numbers) -> Frame:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    margin = 0.06 * (high - low) or 1.0
    start, end = float(times[0]), float(times[-1])
    return Frame(start, end if end > start else start + 1.0, low - margin, high + margin)


def _grid(frame: Frame) -> list[Markup]:
    bottom = HEIGHT - BOTTOM
    lines = [Markup('<path class="axis" d="M{} {}H{}"/>').format(LEFT, bottom, WIDTH - RIGHT)]
    for value in ticks(frame.y_low, frame.y_high):
        y = round(frame.y(value), 1)
        kind = "axis" if value == 0.0 else "grid"
        lines.append(Markup('<path class="{}" d="M{} {}H{}"/>').format(kind, LEFT, y, WIDTH - RIGHT))
        lines.append(_text(LEFT - 5, y + 4, "end", value))
    lines.extend(
        _text(round(frame.x(value), 1), bottom + 17, "middle", value)
        for value in ticks(frame.x_low, frame.x_high)
    )
    return lines


def _text(x: float, y: float, anchor: str, value: float) -> Markup:
    text = f"{value:g}".replace("-", "−")
    return Markup('<text x="{:g}" y="{:g}" text-anchor="{}">{}</text>').format(x, y, anchor, text)


def _tick(frame: Frame, mark_s: float) -> Markup:
    x, bottom = round(frame.x(mark_s), 1), HEIGHT - BOTTOM
    return Markup('<path class="mark" d="M{:g} {}v-6"/>').format(x, bottom)


def _path(frame: Frame, times: Numbers, values: Numbers) -> str:
    """The curve as a path, in tenths of a pixel; it breaks where samples are missing."""
    pieces, pen_up = [], True
    for x, y in zip(times.tolist(), values.tolist(), strict=True):
        if math.isnan(y):
            pen_up = True
            continue
        pieces.append(f"{'M' if pen_up else 'L'}{frame.x(x):.1f} {frame.y(y):.1f}")
        pen_up = False
    return "".join(pieces)


def _dots(frame: Frame, times: Numbers, values: Numbers) -> list[Markup]:
    return [
        Markup('<circle class="dot" cx="{:.1f}" cy="{:.1f}" r="2"/>').format(frame.x(x), frame.y(y))
        for x, y in zip(times.tolist(), values.tolist(), strict=True)
        if not math.isnan(y)
    ]
