"""A calibration as a document to give away: what it is made of, and whether the recordings still say so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from anviltrace.archive.archive import Archive
from anviltrace.archive.chunks import Piece
from anviltrace.archive.codec import Counts
from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.conformity import DecisionRule
from anviltrace.calibration.emptyarm import EmptyArm, look_at_empty_arm
from anviltrace.calibration.history import Change, change_since_previous
from anviltrace.calibration.line import LineFit, StepRow
from anviltrace.calibration.numbers import Numbers, work_out
from anviltrace.calibration.temperature import Temperatures, temperatures
from anviltrace.capture.lines import candidate, candidates, find_calibration
from anviltrace.publish.recordings import Recorded
from anviltrace.publish.remarks import said
from anviltrace.publish.shunts import ShuntTaken, collect_shunts
from anviltrace.publish.words import shortened
from anviltrace.records import (
    Authorisation,
    Board,
    Decision,
    Gap,
    LoadStep,
    Mass,
    Remark,
    Rig,
    Run,
    Session,
    Temperature,
    Zero,
)


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading of a calibration with its recording: stretches of raw counts and the gaps between them."""

    step: LoadStep
    run: Run
    pieces: tuple[Piece, ...]
    gaps: tuple[Gap, ...]

    @property
    def recording(self) -> Recorded:
        """The recording apart from what was read from it."""
        return Recorded(self.run, self.pieces, self.gaps)

    @property
    def window(self) -> Counts:
        """The counts that the reading was made from, int32: the last of the recording, as far as they go."""
        return self.recording.window(self.step.samples)

    def why_other(self) -> str:
        """In what the recording and what was made of it disagree, in words; empty where they agree."""
        return self.recording.why_other(self.step.samples, self.step.mean_counts)


@dataclass(frozen=True, slots=True)
class Document:
    """A whole calibration: what its line is computed from, the line, who took it with what, recordings.

    ``left_out`` are readings that were taken but repeated or discarded, each with what was decided;
    ``change`` is that since the calibration before it, ``bare`` the reading of the rig without an arm,
    ``temperature_entries`` every temperature that was read, ``authorisations`` who stood up for it, oldest
    first, ``shunts`` the readings of a shunt taken with it. ``rule`` decides about the indicative class.
    """

    made: Candidate
    fit: LineFit
    rig: Rig
    board: Board
    session: Session
    taken: tuple[Taken, ...]
    left_out: tuple[tuple[LoadStep, Decision], ...] = ()
    change: Change | None = None
    bare: Zero | None = None
    temperature_entries: tuple[Temperature, ...] = ()
    authorisations: tuple[Authorisation, ...] = ()
    remarks: tuple[Remark, ...] = ()
    shunts: tuple[ShuntTaken, ...] = ()
    rule: DecisionRule = DecisionRule.SIMPLE

    @property
    def name(self) -> str:
        """What its files are called, without an ending."""
        return f"calibration-{shortened(self.made.calibration.id)}"

    def said(self, about: str) -> str:
        """What remarks say about one of :data:`ABOUT`; empty: nothing."""
        return said(self.remarks, about)

    @property
    def temperatures(self) -> Temperatures:
        """Temperatures at start and end, as far as they were measured."""
        return temperatures(self.temperature_entries, max(one.step.taken_at for one in self.taken))

    @property
    def masses(self) -> list[Mass]:
        """The weights in the order in which they were first hung."""
        hung = dict.fromkeys(mass_id for one in self.taken for mass_id in one.step.mass_ids)
        return [self.made.masses[mass_id] for mass_id in hung]

    def rows(self) -> Iterator[tuple[Taken, StepRow]]:
        """Each reading beside the line, in order of time."""
        rows = {row.number: row for row in self.fit.steps}
        return ((one, rows[one.step.number]) for one in self.taken)

    def numbers(self) -> Numbers:
        """Quantities at each load, the curve that the readings ask for, budgets; computed anew each time."""
        made = self.made
        return work_out(made.steps, made.calibration, made.masses, made.arm, self.fit, made.side)

    def empty_arm(self) -> EmptyArm:
        """The moment of the empty arm, as far as it is known."""
        made = self.made
        return look_at_empty_arm(made.steps, made.calibration, made.arm, self.fit, self.bare)

    def disagreements(self) -> list[str]:
        """Readings that their recordings do not bear out, in words."""
        found = ((one.step.number, one.why_other()) for one in self.taken)
        of_shunts = [why for one in self.shunts for why in one.disagreements()]
        return [*(f"reading {number}: {why}" for number, why in found if why), *of_shunts]


def collect_document(archive: Archive, beginning: str) -> Document:
    """All about the calibration whose id begins with ``beginning``; the line is computed anew.

    Raises ArchiveError when there is no such calibration or several, CalibrationError when it was not
    finished or shows no torque, DamageError when a recording is damaged.
    """
    made = candidate(archive, find_calibration(archive, beginning))
    session = archive.get(Session, made.calibration.session_id)
    return Document(
        made=made,
        fit=made.fit(),
        rig=archive.get(Rig, made.rig_id),
        board=archive.get(Board, session.board_id),
        session=session,
        taken=tuple(_taken(archive, step) for step in sorted(made.steps, key=lambda step: step.number)),
        left_out=_left_out(archive, made),
        change=change_since_previous(candidates(archive), made),
        bare=made.bare,
        temperature_entries=tuple(archive.all(Temperature, calibration_id=made.calibration.id)),
        authorisations=tuple(archive.all(Authorisation, calibration_id=made.calibration.id)),
        remarks=tuple(archive.all(Remark, calibration_id=made.calibration.id)),
        shunts=collect_shunts(archive, made.calibration.id, made.steps),
    )


def _left_out(archive: Archive, made: Candidate) -> tuple[tuple[LoadStep, Decision], ...]:
    kept = {step.id for step in made.steps}
    steps = archive.all(LoadStep, calibration_id=made.calibration.id)
    return tuple((step, archive.decisions(step.run_id)[-1]) for step in steps if step.id not in kept)


def _taken(archive: Archive, step: LoadStep) -> Taken:
    return Taken(
        step,
        archive.get(Run, step.run_id),
        tuple(archive.pieces(step.run_id)),
        tuple(archive.gaps(step.run_id)),
    )
