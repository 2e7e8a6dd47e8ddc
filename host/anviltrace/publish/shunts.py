"""Shunt readings in documents and reports: with their recordings, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from anviltrace.archive.archive import Archive
from anviltrace.calibration.shunt import Moved, Output, Shunted, moved_since, work_out
from anviltrace.capture.shuntreadings import shunted, why_left_out
from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.publish.recordings import Recorded, recorded
from anviltrace.records import Decision, LoadStep, ShuntReading, readable_time

Facts = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class ShuntTaken:
    """A shunt reading of a calibration with its recordings without, with and without the resistor.

    ``when`` says where it lies among the readings of the calibration; ``left_out`` is the decision that
    discarded it.
    """

    one: Shunted
    recordings: tuple[Recorded, Recorded, Recorded]
    when: str
    left_out: Decision | None = None

    def disagreements(self) -> list[str]:
        """Recordings that do not bear the reading out, in words."""
        reading = self.one.reading
        means = reading.before_counts, reading.shunt_counts, reading.after_counts
        found = (
            recording.why_other(reading.samples, mean)
            for recording, mean in zip(self.recordings, means, strict=True)
        )
        return [f"shunt {self.one.shunt.name} {self.when}: {why}" for why in found if why]


def collect_shunts(
    archive: Archive, calibration_id: str, steps: Sequence[LoadStep]
) -> tuple[ShuntTaken, ...]:
    """The shunt readings taken with a calibration, in order of time; raises DamageError for a damaged one."""
    times = sorted(step.taken_at for step in steps)
    found = archive.all(ShuntReading, calibration_id=calibration_id)
    return tuple(_collect(archive, shunted(archive, one), times) for one in found)


def _collect(archive: Archive, one: Shunted, times: Sequence[str]) -> ShuntTaken:
    at, reading = one.reading.taken_at, one.reading
    when = "before the readings" if at < times[0] else "after the readings"
    if times[0] <= at <= times[-1]:
        when = "between the readings"
    ids = reading.before_run_id, reading.shunt_run_id, reading.after_run_id
    before, shunt, after = (recorded(archive, run_id) for run_id in ids)
    return ShuntTaken(one, (before, shunt, after), when, why_left_out(archive, reading))


def shunt_data(taken: ShuntTaken) -> dict[str, Any]:
    """What is on record of a reading: its facts, the resistor's, and the seals of the three recordings."""
    return asdict(taken.one.reading) | {
        "shunt": asdict(taken.one.shunt),
        "seals": [recording.run.seal for recording in taken.recordings],
        "left_out": None if taken.left_out is None else asdict(taken.left_out),
    }


def shunt_results(taken: Sequence[ShuntTaken]) -> list[dict[str, Any]]:
    """What comes of readings, and how far each moved since the first; outputs in mV/V, shares as such.

    Those that were left out are not among them.
    """
    taken = _kept(taken)
    return [
        {
            "id": each.one.reading.id,
            "when": each.when,
            **asdict(work_out(each.one)),
            "agrees": work_out(each.one).agrees,
            "since_first": None if number == 0 else asdict(moved_since(taken[0].one, each.one)),
        }
        for number, each in enumerate(taken)
    ]


def shunt_facts(taken: Sequence[ShuntTaken]) -> Facts:
    """Rows about the shunt readings of a calibration; none where none was taken."""
    rows = [(f"shunt {each.one.shunt.name}, {each.when}", _told(each)) for each in taken]
    taken = _kept(taken)
    if len(taken) > 1:
        rows.append(("its change from first to last", tell_move(moved_since(taken[0].one, taken[-1].one))))
    return rows


def _kept(taken: Sequence[ShuntTaken]) -> list[ShuntTaken]:
    return [each for each in taken if each.left_out is None]


def _told(taken: ShuntTaken) -> str:
    """A reading in words, with the reason where it was left out."""
    said = tell_shunt(taken.one)
    return said if taken.left_out is None else f"{said}. Left out: {taken.left_out.reason}"


def session_facts(reference: Shunted, readings: Sequence[Shunted]) -> Facts:
    """Rows about the shunt readings of the sessions in which a calibration is used, beside its own."""
    rows = [(f"shunt {reference.shunt.name}, with the calibration", tell_shunt(reference))]
    for one in readings:
        at = readable_time(one.reading.taken_at)
        rows.append((f"the same in a session, {at} UTC", tell_move(moved_since(reference, one))))
    return rows


def tell_shunt(one: Shunted) -> str:
    """What a reading shows, and beside it what it should, with 95 % intervals."""
    result = work_out(one)
    computed = f"computed {_stated(result.computed)}"
    if result.read is None:
        return f"{result.net_counts:.1f} counts; {computed}: not to be compared, a count is not known in mV/V"
    verdict = "agrees" if result.agrees else "does not agree"
    return f"{_stated(result.read)}; {computed} (95 %): {verdict}; wiring and gain only, no dead weight"


def tell_move(move: Moved) -> str:
    """How far a reading moved, and whether that may be."""
    if move.turned:
        return "it went the other way: another arm of the bridge, or wires changed over"
    verdict = "moved" if move.beyond else "holds"
    percent = f"{round(100.0 * move.share, 3) + 0.0:+.3f}"
    return f"{percent} % ± {100.0 * move.expanded:.3f} % (limit {100.0 * move.limit:.2f} %): {verdict}"


def _stated(output: Output) -> str:
    return f"{value_with_uncertainty(output.mv_per_v, output.expanded)} mV/V"
