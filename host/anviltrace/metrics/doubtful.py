"""What casts doubt on the calibration that a run takes, at the time of the run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.history import of_this_kind, valid
from anviltrace.calibration.line import Line
from anviltrace.calibration.triggers import why_not_nearest, why_old, why_other_cable, why_zero_jumped
from anviltrace.capture.doubts import Extremes, extremes, measured_since, overload_among, zeros_since
from anviltrace.capture.shuntreadings import move_in_session
from anviltrace.records import Calibration, Run, Session, Zero


class Doubtful:
    """Looks up what there is about each calibration once, for all runs that take it."""

    def __init__(self, archive: Archive, everything: Sequence[Candidate]) -> None:
        self._archive = archive
        self._by_id = {one.calibration.id: one for one in everything}
        self._zeros: dict[str, list[Zero]] = {}
        self._others: dict[str, list[Calibration]] = {}
        self._shunts: dict[tuple[str, str], str] = {}
        self._measured: dict[str, list[Run]] = {}
        self._extremes: dict[str, Extremes | None] = {}

    def of(self, line: Line, run: Run, cable: str) -> tuple[str, ...]:
        """Age, another cable, jump of the zero or overload between calibration and run, a shunt reading of
        the run's session that moved, another nearer in time.

        ``cable`` is that of the run; empty: not stated.
        """
        used, run_at = self._by_id[line.calibration_id], run.started_at
        made = used.calibration
        other_cable = why_other_cable(self._archive.get(Session, made.session_id).cable, cable)
        zeros = [zero.mean_counts for zero in self._zeros_since(used) if zero.taken_at <= run_at]
        nearest = why_not_nearest(made, self._alike(used), run_at) if made.taken_at > run_at else ""
        shunt = self._shunt(made.id, run.session_id)
        overload = overload_among(used, line, self._extremes_until(used, run_at))
        found = why_old(made, run_at), other_cable, why_zero_jumped(line, zeros), overload, shunt, nearest
        return tuple(f"calibration {made.id[:8]} is doubtful: {reason}" for reason in found if reason)

    def _zeros_since(self, used: Candidate) -> list[Zero]:
        if used.calibration.id not in self._zeros:
            self._zeros[used.calibration.id] = zeros_since(self._archive, used)
        return self._zeros[used.calibration.id]

    def _extremes_until(self, used: Candidate, run_at: str) -> Iterator[Extremes | None]:
        """Smallest and largest count of each run between calibration and run; each is read once."""
        key = used.calibration.id
        if key not in self._measured:
            self._measured[key] = measured_since(self._archive, used)
        for run in self._measured[key]:
            if run.started_at >= run_at:
                break
            if run.id not in self._extremes:
                self._extremes[run.id] = extremes(self._archive, run)
            yield self._extremes[run.id]

    def _shunt(self, calibration_id: str, session_id: str) -> str:
        key = calibration_id, session_id
        if key not in self._shunts:
            self._shunts[key] = move_in_session(self._archive, calibration_id, session_id)
        return self._shunts[key]

    def _alike(self, used: Candidate) -> list[Calibration]:
        if used.calibration.id not in self._others:
            others = of_this_kind(list(self._by_id.values()), used)
            self._others[used.calibration.id] = [one.calibration for one in others if valid(one)]
        return self._others[used.calibration.id]
