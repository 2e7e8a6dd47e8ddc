"""From an archive to the material of a report: runs evaluated, curves, claims, calibrations."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from anviltrace import __version__
from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate
from anviltrace.capture.lines import candidates
from anviltrace.capture.shuntreadings import beside_calibration
from anviltrace.compare.recalibrated import Recalibrated, Recalibration
from anviltrace.errors import AnalysisError, CalibrationError
from anviltrace.metrics.batch import Batch, Manner
from anviltrace.metrics.facts import RunFacts, why_unused
from anviltrace.metrics.results import RunResult
from anviltrace.metrics.scale import Scale
from anviltrace.metrics.signal import signal_of, zero_level
from anviltrace.publish.curves import Curve
from anviltrace.publish.material import CalibrationUsed, Material
from anviltrace.records import Claim, Run, RunKind, RunState
from anviltrace.units import TorqueUnit

Progress = Callable[[int, int], None]
"""Called with how many runs are done, and of how many."""


@dataclass(frozen=True, slots=True)
class Evaluated:
    """Runs as they were evaluated; ``curves`` by run id; ``recalibrated``: by a later calibration."""

    results: tuple[RunResult, ...]
    curves: Mapping[str, Curve]
    recalibrated: tuple[Recalibrated, ...]


def collect(
    archive: Archive,
    title: str,
    unit: TorqueUnit = TorqueUnit.NM,
    progress: Progress | None = None,
    named: str = "",
    filter_name: str = "",
) -> Material:
    """Evaluate every measurement run of an archive and gather what a report shows.

    Without a title the report is called after its rigs.

    Runs that were discarded or interrupted are named but not evaluated; one that is being recorded right
    now is passed over.

    With ``named``, the beginning of its id, that calibration is taken instead of the newest that fits.
    ``filter_name`` names a filter for peaks, widths and rises, "" for none.

    Raises:
        AnalysisError: the archive has no measurement run that was kept.
        ArchiveError: there is no calibration of that name, or several are.
        CalibrationError: the calibration that was named fits no run.
        DamageError: the samples of a run do not agree with their checksum.
    """
    done = evaluated(archive, progress, named, filter_name, drawn=True)
    if not done.curves:
        raise AnalysisError(
            f"{archive.path} has no finished measurement run that was kept: record one with "
            "`anviltrace capture`"
        )
    return Material(
        title=title or _title(done.results),
        results=done.results,
        curves=done.curves,
        claims=tuple(archive.all(Claim)),
        calibrations=_used(archive, candidates(archive), done.results),
        unit=unit,
        recalibrated=done.recalibrated,
    )


def evaluated(
    archive: Archive,
    progress: Progress | None = None,
    named: str = "",
    filter_name: str = "",
    *,
    drawn: bool = False,
) -> Evaluated:
    """Every measurement run of an archive, as :func:`collect` has them; raises the same, but for no run.

    Curves, for which samples have to be read, only if they are to be ``drawn``.
    """
    runs = [
        run
        for run in archive.all(Run)
        if run.kind is RunKind.MEASUREMENT and run.state is not RunState.RECORDING
    ]
    with Batch(archive, Manner(named=named, filter_name=filter_name)) as batch:
        gatherer = batch.gatherer
        contexts = [gatherer.context(run) for run in runs]
        kept = batch.results([one.run for one in contexts if one.kept], progress)
        curves = {
            result.context.run.id: curve_of(gatherer.facts(result.context.run), result)
            for result in (kept if drawn else ())
        }
        recalibration = Recalibration(gatherer.calibrations, batch.result)
        changed = [recalibration.of(gatherer.without_samples(one.context.run), one) for one in kept]
    by_run = {result.context.run.id: result for result in kept}
    results = [by_run.get(one.run.id) or RunResult(one, (), software_version=__version__) for one in contexts]
    if reason := why_unused(gatherer.named_id, [result for result in results if result.context.kept]):
        raise CalibrationError(reason)
    return Evaluated(tuple(results), curves, tuple(one for one in changed if one is not None))


def curve_of(facts: RunFacts, result: RunResult) -> Curve:
    """The samples of a run along its rotation, after its time zero: in N·m where it is calibrated, else in
    mV/V, or in counts where the excitation is not known."""
    rate_hz = facts.context.run.rate_hz or facts.context.settings.rate_hz
    first_s = -(result.time_zero_s or 0.0)
    if not any(len(counts) for _, counts in facts.pieces):
        return Curve(facts.context.run.id, np.empty(0), rate_hz, first_s, "counts")
    signal = signal_of(facts, Scale(facts.lines), zero_level(facts.zero_before, facts.zero_after))
    values = np.where(signal.missing, np.nan, signal.values)
    per_count = facts.context.settings.mv_per_v_per_count
    curve = Curve(facts.context.run.id, values, signal.rate_hz, first_s, "N·m")
    if signal.calibrated:
        return curve
    if per_count is None:
        return replace(curve, unit="counts")
    return replace(curve, values=values * per_count, unit="mV/V")


def _title(results: Sequence[RunResult]) -> str:
    return "Torque runs, " + ", ".join(dict.fromkeys(result.context.rig.name for result in results))


def _used(
    archive: Archive, found: Sequence[Candidate], results: Sequence[RunResult]
) -> tuple[CalibrationUsed, ...]:
    """The calibrations that results name, in the order of their first use."""
    ids = dict.fromkeys(used for result in results for used in result.calibration_ids)
    by_id = {candidate.calibration.id: candidate for candidate in found}
    return tuple(_as_used(archive, by_id[used], results) for used in ids)


def _as_used(archive: Archive, candidate: Candidate, results: Sequence[RunResult]) -> CalibrationUsed:
    hung = dict.fromkeys(mass_id for step in candidate.steps for mass_id in step.mass_ids)
    masses = tuple(candidate.masses[mass_id] for mass_id in hung)
    made = candidate.calibration
    sessions = {one.context.session.id for one in results if made.id in one.calibration_ids}
    shunts = tuple(beside_calibration(archive, made.id, sessions))
    return CalibrationUsed(made, candidate.arm, masses, candidate.fit(), shunts)
