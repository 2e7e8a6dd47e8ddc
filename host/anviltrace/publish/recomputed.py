"""A calibration worked out anew from its raw counts, and held against what is on record."""

from __future__ import annotations

from dataclasses import dataclass, replace

from anviltrace.calibration.line import Line
from anviltrace.calibration.stability import look_at
from anviltrace.errors import CalibrationError
from anviltrace.publish.document import Document, Taken
from anviltrace.records import LoadStep


@dataclass(frozen=True, slots=True)
class Recomputed:
    """One calibration anew: each reading as its counts give it, and the line through these.

    ``steps`` holds pairs: as on record, and anew (None where the recording is not whole). ``line`` is that
    on record, ``line_again`` the other; ``differences`` says in words what differs beyond rounding.
    """

    calibration_id: str
    steps: tuple[tuple[LoadStep, LoadStep | None], ...]
    line: Line
    line_again: Line | None
    differences: tuple[str, ...]

    @property
    def identical(self) -> bool:
        """Whether everything is the same to the last bit."""
        return not self.differences and self.line == self.line_again and all(a == b for a, b in self.steps)


def recompute(document: Document) -> Recomputed:
    """Mean, scatter and drift of every reading from its raw counts, then the line from these readings."""
    pairs = tuple((one.step, _again(one)) for one in document.taken)
    differences = document.disagreements()
    made, line_again = document.made, None
    if not differences:
        steps = tuple(again for _, again in pairs if again is not None)
        try:
            line_again = replace(made, steps=steps).fit().line
        except CalibrationError as error:
            differences.append(str(error))
    return Recomputed(made.calibration.id, pairs, document.fit.line, line_again, tuple(differences))


def _again(one: Taken) -> LoadStep | None:
    counts = one.window
    if len(counts) < one.step.samples:
        return None
    window = look_at(counts)
    return replace(
        one.step,
        mean_counts=window.mean_counts,
        sd_counts=window.sd_counts,
        drift_counts=window.drift_counts,
        samples=window.samples,
    )
