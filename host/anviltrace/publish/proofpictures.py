"""Pictures of a check: spectrum of the rig at rest, and taps over each other with the fitted decay."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.proof.session import Checked
from anviltrace.publish import ink
from anviltrace.publish.charts import as_bytes
from anviltrace.publish.folder import write_files
from anviltrace.trace.ringdown import RungTaps
from anviltrace.trace.spectrum import MainsHum, Tone, spectrum

Numbers = npt.NDArray[np.float64]

_LEAST_FOR_SPECTRUM = 64
_POINTS = 3000
_LINE, _MARKED = ink.LIGHT[0], ink.LIGHT[1]
_AFTER_CONTACT_S = 0.002
"""The hammer has left the rig by then."""
_SWINGS_SHOWN = 40.0
_LOWEST = 2e-3


def write_pictures(folder: Path, checked: Checked) -> list[Path]:
    """Write ``spectrum.png``, and ``ring-down.png`` where taps were measured, into a folder.

    Raises what :func:`write_files` does. A recording too short for a spectrum gives none.
    """
    pictures = {}
    if checked.reading.longest.size >= _LEAST_FOR_SPECTRUM:
        pictures["spectrum.png"] = as_bytes(draw_spectrum(checked), "png")
    if checked.rung is not None and checked.taps is not None:
        pictures["ring-down.png"] = as_bytes(draw_ring_down(checked), "png")
    return write_files(folder, pictures)


def draw_spectrum(checked: Checked) -> Figure:
    """Amplitude spectral density of the rig at rest, with the hum marked."""
    reading, sizes = checked.reading, checked.sizes
    factor, unit = (1.0, "counts") if sizes.uv_per_v is None else (sizes.uv_per_v, "µV/V")
    found = spectrum(reading.quiet, reading.true_rate_hz)
    figure = Figure(figsize=(9.0, 4.6), layout="constrained")
    axes = figure.subplots()
    hz, density = _thinned(found.hz, found.density * factor)
    axes.loglog(hz, density, color=_LINE, linewidth=0.8)
    hum = reading.hum
    tones = [] if isinstance(hum, str) else [tone for tone in hum.tones if tone.clear]
    folded = not isinstance(hum, str | MainsHum)
    _mark_tones(axes, tones, found.hz, factor * found.density, factor, unit, folded=folded)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel(f"amplitude density, {unit} per √Hz")
    axes.set_title(_title(checked, _said(hum, tones)), fontsize=9.5, loc="left", parse_math=False)
    axes.set_xlim(hz[0], 0.5 * reading.true_rate_hz)
    axes.xaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_major_formatter("{x:g}")
    middle = float(np.median(density))
    axes.set_ylim(middle / 10.0, max(10.0 * middle, 5.0 * float(found.density.max()) * factor))
    axes.yaxis.set_minor_formatter("")
    axes.xaxis.set_minor_formatter("")
    _plain(axes)
    return figure


def _said(hum: object, tones: list[Tone]) -> str:
    if not isinstance(hum, MainsHum):
        return "hum cannot be told at this rate"
    return "" if tones else "no mains hum seen"


def _title(checked: Checked, said: str) -> str:
    runs = checked.runs
    parts = [f"rig at rest, run {runs.still.id[:8]}", runs.converter, f"{runs.settings.rate_hz:g} S/s"]
    parts += [f"gain {runs.settings.gain}"] + ([said] if said else [])
    return ", ".join(parts)


def _mark_tones(
    axes: Axes, tones: list[Tone], hz: Numbers, density: Numbers, factor: float, unit: str, *, folded: bool
) -> None:
    """A mark over each tone, with its amplitude at the strongest."""
    if not tones:
        return
    tops = [float(density[np.abs(hz - tone.hz) < 1.5].max(initial=density.min())) for tone in tones]
    places = [tone.hz for tone in tones]
    axes.plot(places, [1.35 * top for top in tops], "v", color=_MARKED, markersize=6.0)
    strongest = max(range(len(tones)), key=lambda number: tones[number].amplitude)
    tone = tones[strongest]
    words = "may be folded hum" if folded else "mains hum"
    axes.annotate(
        f"{words}: {factor * tone.amplitude:.3g} {unit} at {tone.hz:.2f} Hz",
        (tone.hz, 1.35 * tops[strongest]),
        xytext=(9.0, 2.0),
        textcoords="offset points",
        fontsize=8.5,
        color=_MARKED,
        va="bottom",
    )


def _thinned(hz: Numbers, density: Numbers) -> tuple[Numbers, Numbers]:
    """At most :data:`_POINTS` points, even along a logarithmic axis: the root mean square of each group."""
    if hz.size <= _POINTS:
        return hz, density
    edges = np.unique(np.geomspace(1, hz.size, _POINTS).astype(np.int64) - 1)
    power = np.add.reduceat(np.square(density), edges) / np.diff(np.append(edges, hz.size))
    return hz[edges], np.sqrt(power)


def draw_ring_down(checked: Checked) -> Figure:
    """All taps over each other, and their swings on a logarithmic axis beside the fitted decay."""
    assert checked.taps is not None
    assert checked.rung is not None
    rung, rate_hz = checked.rung, checked.taps.rate_hz
    shown_s = min(_SWINGS_SHOWN / rung.natural_hz, 0.4)
    rings = [_aligned(tap, rate_hz, shown_s, rung) for tap in checked.taps.taps]
    rings = [ring for ring in rings if ring.size]
    figure = Figure(figsize=(11.0, 4.6), layout="constrained")
    along, falling = figure.subplots(1, 2, width_ratios=(1.6, 1.0))
    figure.suptitle(
        f"{len(rung.taps)} taps, run {checked.runs.taps.id[:8] if checked.runs.taps else ''}: "
        f"{value_with_uncertainty(rung.natural_hz, 2.0 * rung.natural_u_hz)} Hz, damping "
        f"{value_with_uncertainty(100.0 * rung.damping_ratio, 200.0 * rung.damping_u)} % of critical",
        fontsize=9.5,
        x=0.01,
        ha="left",
        parse_math=False,
    )
    _draw_along(along, rings, rate_hz, rung)
    _draw_falling(falling, rings, rate_hz, rung)
    return figure


def _aligned(tap: Numbers, rate_hz: float, shown_s: float, rung: RungTaps) -> Numbers:
    """A tap from its highest sample on, its level taken off, as a share of where its fitted ring begins."""
    level = float(np.median(tap[tap.size // 2 :]))
    departure = tap - level
    apex = int(np.abs(departure[: round(0.01 * rate_hz) + 2]).argmax())
    ring = departure[apex : apex + round(shown_s * rate_hz)]
    if ring.size < round(_AFTER_CONTACT_S * rate_hz) + 8:
        return np.empty(0)
    sign = math.copysign(1.0, float(ring[0]))
    return np.asarray(sign * ring / float(np.hypot(*_shares(ring, rate_hz, rung))))


def _waves(times_s: Numbers, rung: RungTaps) -> Numbers:
    """Cosine and sine of the fading ring, shape (n, 2)."""
    fading, turn = np.exp(-times_s / _decay_s(rung)), 2.0 * math.pi * _damped_hz(rung)
    return np.column_stack((fading * np.cos(turn * times_s), fading * np.sin(turn * times_s)))


def _shares(ring: Numbers, rate_hz: float, rung: RungTaps) -> Numbers:
    """How much of both a ring holds, once the hammer has left."""
    first = round(_AFTER_CONTACT_S * rate_hz)
    base = _waves(np.arange(ring.size) / rate_hz, rung)
    shares, *_ = np.linalg.lstsq(base[first:], ring[first:], rcond=None)
    return np.asarray(shares)


def _fitted(ring: Numbers, rate_hz: float, rung: RungTaps, times_s: Numbers) -> Numbers:
    return np.asarray(_waves(times_s, rung) @ _shares(ring, rate_hz, rung))


def _draw_along(axes: Axes, rings: list[Numbers], rate_hz: float, rung: RungTaps) -> None:
    """Samples of all taps as dots, the ring fitted to the first between them, and the decay of all."""
    if rings:
        fine_s = np.arange(0.0, rings[0].size / rate_hz, 0.02 / rung.natural_hz)
        axes.plot(1e3 * fine_s, _fitted(rings[0], rate_hz, rung, fine_s), color="0.6", linewidth=0.7,
                  label="ring fitted to the first tap")  # fmt: skip
    for number, ring in enumerate(rings):
        axes.plot(
            1e3 * np.arange(ring.size) / rate_hz,
            ring,
            ".",
            color=_LINE,
            alpha=0.6,
            markersize=3.5,
            label="samples of all taps" if number == 0 else None,
        )
    longest = max((ring.size for ring in rings), default=2) / rate_hz
    times = np.linspace(0.0, longest, 400)
    decay = np.exp(-times / _decay_s(rung))
    for sign in (1.0, -1.0):
        axes.plot(
            1e3 * times, sign * decay, color=_MARKED, linewidth=1.3, linestyle=(0, (4, 2)),
            label="fitted decay" if sign > 0.0 else None,
        )  # fmt: skip
    axes.set_ylim(-1.6, 1.6)
    axes.set_xlabel("time after the tap's highest sample, ms")
    axes.set_ylabel("share of where the ring begins")
    axes.legend(loc="upper right", fontsize=8.5, frameon=False)
    axes.margins(x=0.01)
    _plain(axes)


def _draw_falling(axes: Axes, rings: list[Numbers], rate_hz: float, rung: RungTaps) -> None:
    """The tops of all swings: one straight line where the rig rings at one frequency."""
    longest_s, lowest = 0.0, 0.1
    for number, ring in enumerate(rings):
        size = np.abs(ring)
        tops = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:])) + 1
        tops = tops[size[tops] > _LOWEST]
        if not tops.size:
            continue
        longest_s, lowest = max(longest_s, float(tops[-1]) / rate_hz), min(lowest, float(size[tops].min()))
        axes.semilogy(
            1e3 * tops / rate_hz,
            size[tops],
            ".",
            color=_LINE,
            alpha=0.6,
            markersize=4.0,
            label="swings, either way" if number == 0 else None,
        )
    times = np.array([0.0, longest_s])
    axes.semilogy(
        1e3 * times, np.exp(-times / _decay_s(rung)), color=_MARKED, linewidth=1.3, linestyle=(0, (4, 2)),
        label="fitted decay",
    )  # fmt: skip
    axes.set_ylim(0.5 * lowest, 3.0)
    axes.set_ylabel("height of a swing")
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter("")
    axes.set_xlabel("time after the tap's highest sample, ms")
    axes.legend(loc="upper right", fontsize=8.5, frameon=False)
    _plain(axes)


def _decay_s(rung: RungTaps) -> float:
    return 1.0 / (2.0 * math.pi * rung.natural_hz * rung.damping_ratio)


def _damped_hz(rung: RungTaps) -> float:
    return rung.natural_hz * math.sqrt(1.0 - rung.damping_ratio**2)


def _plain(axes: Axes) -> None:
    axes.grid(visible=True, which="major", color="0.88", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
