"""The live display of a recording, on stderr: state, countdown and reading, large enough for a bench."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from anviltrace.capture.recorder import Progress
from anviltrace.capture.stages import Stage
from anviltrace.records import RunKind, ScaleKind, Settings
from anviltrace.units import TorqueUnit

_WORDS = {
    Stage.QUIET: ("HANDS OFF", "quiet stretch before the drive", "cyan"),
    Stage.DRIVE: ("PULL THE TRIGGER", "waiting for the first blow", "bold black on green"),
    Stage.DRIVING: ("KEEP DRIVING", "recording", "bold green"),
    Stage.RELEASE: ("LET GO", "recording what follows", "bold white on red"),
    Stage.DONE: ("DONE", "", "green"),
}
_OF_TAPS = {
    **_WORDS,
    Stage.QUIET: ("HANDS OFF", "quiet stretch before the first tap", "cyan"),
    Stage.DRIVE: ("TAP ONCE", "lightly, then hands off", "bold black on green"),
    Stage.RELEASE: ("HANDS OFF", "it rings out", "cyan"),
}
_OF_BURSTS = {**_WORDS, Stage.RELEASE: ("LET GO", "the board sends its burst", "bold white on red")}
_STEADY = "until the reading is steady"
_STILL = {RunKind.ZERO: "zero reading", RunKind.CALIBRATION: _STEADY, RunKind.CHECK: _STEADY}
"""Recordings in which nothing is driven, and what is waited for."""
_REDRAW_S = 0.1
_BAR = 40


class TorqueLine(Protocol):
    """What the display needs of a calibration for one sign of torque."""

    @property
    def sign(self) -> int:
        """+1 for clockwise torque, -1 for counter-clockwise."""

    def torque_nm(self, net_counts: float) -> float:
        """Torque of a reading less the zero."""

    def why_withheld(self, torque_nm: float) -> str:
        """Why no torque can be stated at this size; empty where one can."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How readings are shown: in ``unit`` where a line covers them, else in the best unit known without."""

    settings: Settings
    lines: Sequence[TorqueLine] = ()
    unit: TorqueUnit = TorqueUnit.NM

    def text(self, counts: float | None, zero_counts: float | None) -> str:
        """A reading less the zero, where there is one, with its unit."""
        if counts is None:
            return "–"
        net = counts - (zero_counts or 0.0)
        torque_nm = None if zero_counts is None else self._torque_nm(net)
        if torque_nm is not None:
            return f"{self.unit.from_nm(torque_nm):+.1f} {self.unit}"
        ratio = self.settings.mv_per_v_per_count
        if ratio is not None:
            return f"{net * ratio:+.4f} mV/V"
        if self.settings.scale_kind is ScaleKind.VOLTAGE:
            return f"{net * self.settings.full_scale / self.settings.full_scale_code * 1e3:+.4f} mV"
        return f"{net:+.0f} counts"

    def _torque_nm(self, net_counts: float) -> float | None:
        for line in self.lines:
            torque_nm = line.torque_nm(net_counts)
            if torque_nm * line.sign >= 0.0 and not line.why_withheld(torque_nm):
                return torque_nm
        return None


class LiveDisplay:
    """Redraws itself ten times a second on a terminal; elsewhere prints a line as each stage begins.

    Readings with weights have no stages, and are announced one by one by whoever takes them. Use it
    as a context manager round one recording and pass :meth:`watch` to the recorder.
    """

    def __init__(self, scale: Scale) -> None:
        self._scale = scale
        self._console = Console(stderr=True)
        self._live: Live | None = None
        self._drawn_at = 0.0
        self._stage: Stage | None = None
        self._kind: RunKind | None = None
        self._taps = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._clear()

    def watch(self, progress: Progress) -> None:
        """Show how it goes. Between recordings the terminal is left free for questions."""
        shown = progress.stage, progress.kind, progress.taps
        changed = shown != (self._stage, self._kind, self._taps)
        self._stage, self._kind, self._taps = shown
        if not self._console.is_terminal:
            if changed and _STILL.get(progress.kind) != _STEADY:
                print(self._line(progress), file=sys.stderr)
        elif progress.stage is Stage.DONE:
            self._clear()
        elif changed or time.monotonic() - self._drawn_at > _REDRAW_S:
            self._draw(progress)

    def _draw(self, progress: Progress) -> None:
        if self._live is None:
            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._live.start()
        self._drawn_at = time.monotonic()
        self._live.update(self._panel(progress), refresh=True)

    def _clear(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _line(self, progress: Progress) -> str:
        signal, meaning, _ = _words(progress)
        if progress.kind is RunKind.ZERO:
            return "zero reading: done" if progress.stage is Stage.DONE else "zero reading: hands off"
        return f"{signal.lower()}{': ' if meaning else ''}{meaning}"

    def _panel(self, progress: Progress) -> Panel:
        signal, meaning, style = _words(progress)
        if progress.kind in _STILL:
            signal, meaning = "HANDS OFF", _STILL[progress.kind]
        table = Table.grid(padding=(0, 2))
        table.add_row(Text(f" {signal} ", style), f"{progress.seconds_left:5.1f} s", meaning)
        shown = self._scale.text(progress.latest_counts, progress.zero_counts)
        table.add_row(Text(shown, "bold"), "", self._bar(progress))
        if progress.saturated:
            table.add_row(Text("OUT OF RANGE", "bold white on red"), "", f"{progress.saturated} samples")
        return Panel(table, title="anviltrace", border_style="dim")

    def _bar(self, progress: Progress) -> str:
        if progress.latest_counts is None:
            return ""
        net = abs(progress.latest_counts - (progress.zero_counts or 0.0))
        filled = round(_BAR * min(1.0, net / self._scale.settings.full_scale_code))
        return "█" * filled + "·" * (_BAR - filled) + " of range"


def _words(progress: Progress) -> tuple[str, str, str]:
    """Signal, meaning and style of a stage."""
    if progress.kind is not RunKind.TAP:
        return (_OF_BURSTS if progress.is_burst else _WORDS)[progress.stage]
    signal, meaning, style = _OF_TAPS[progress.stage]
    heard = f"taps so far: {progress.taps}" if progress.taps else ""
    return signal, ", ".join(filter(None, (meaning, heard))), style
