"""Takes three readings one after the other: without what is read, with it, and without it again."""

from __future__ import annotations

from collections.abc import Callable

from anviltrace.archive.archive import Archive
from anviltrace.calibration.stability import Gate, Known, Window
from anviltrace.capture.loadreader import last_window
from anviltrace.capture.recorder import Recorder
from anviltrace.errors import CalibrationError
from anviltrace.records import RunKind, Settings

Told = Callable[[str], None]


class ThreeReadings:
    """Each reading steady in the light of those before; ``advice`` says what to do where one is not.

    ``told`` hears which reading comes. Recordings are kept whatever comes of them.
    """

    def __init__(
        self, recorder: Recorder, archive: Archive, settings: Settings, gate: Gate, told: Told, advice: str
    ) -> None:
        self._recorder, self._archive, self._settings = recorder, archive, settings
        self._gate, self._told, self._advice = gate, told, advice
        self._known = Known()
        self.taken: list[tuple[str, Window]] = []

    def read(self, what: str) -> None:
        """Record the next reading and keep the id of its run and its last window in ``taken``.

        Raises CalibrationError when it does not become steady, lacks samples or is out of range, and
        whatever :meth:`Recorder.steady` does.
        """
        self._told(what)
        run, unsteady = self._recorder.steady(self._gate, self._known, RunKind.CHECK)
        if unsteady:
            raise CalibrationError(
                f"the reading ({what}) is not steady after {self._gate.longest_s:g} s: {unsteady}; "
                f"{self._advice}"
            )
        window = last_window(self._archive, run, self._settings, self._gate, f"the reading ({what})")
        self.taken.append((run.id, window))
        zero = self.taken[0][1]
        span_counts = max(abs(one.mean_counts - zero.mean_counts) for _, one in self.taken)
        self._known = Known(zero.mean_counts, zero.sd_counts, span_counts)

    @property
    def sd_counts(self) -> float:
        """The largest scatter of the readings taken."""
        return max(window.sd_counts for _, window in self.taken)
