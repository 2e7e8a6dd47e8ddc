"""A recording with all that is left of it, and whether it bears out what was read from it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.archive.chunks import Piece
from anviltrace.archive.seal import seal_of
from anviltrace.calibration.stability import Counts, look_at
from anviltrace.records import Gap, Run

_SAME = 1e-9
"""Means worked out anew agree this well, relatively: sums are rounded otherwise on another machine."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording: stretches of raw counts and the gaps between them."""

    run: Run
    pieces: tuple[Piece, ...]
    gaps: tuple[Gap, ...]

    def window(self, samples: int) -> Counts:
        """Its last counts, int32, as far as they go."""
        return self.pieces[-1][1][-samples:] if self.pieces else np.empty(0, np.int32)

    def why_other(self, samples: int, mean_counts: float) -> str:
        """In what it disagrees with a reading made from its last samples; empty where they agree."""
        if (
            self.run.seal is None
            or seal_of((counts for _, counts in self.pieces), self.gaps) != self.run.seal
        ):
            return "the recording does not agree with its seal"
        window = self.window(samples)
        if len(window) < samples:
            return f"{len(window)} counts are there of the {samples} it was read from"
        again = look_at(window).mean_counts
        if math.isclose(again, mean_counts, rel_tol=_SAME, abs_tol=_SAME):
            return ""
        return f"its counts come to {again:.3f}, on record is {mean_counts:.3f}"


def recorded(archive: Archive, run_id: str) -> Recorded:
    """The recording of a run; raises DamageError when it is damaged."""
    return Recorded(archive.get(Run, run_id), tuple(archive.pieces(run_id)), tuple(archive.gaps(run_id)))
