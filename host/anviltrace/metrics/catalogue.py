"""Every metric there is: its name, unit, definition, what it needs and how its uncertainty is made.

The one table from which tables, reports and ``anviltrace metrics --explain`` take their words. No standard
we know of defines a torque test of impact wrenches, so the definitions are our own; where they follow
common practice they say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from anviltrace.errors import AnalysisError
from anviltrace.records import RigKind

ALL_RIGS = tuple(RigKind)
HELD_RIGS = (RigKind.HELD,)
OTHER_RIGS = (RigKind.FIXED, RigKind.THROUGH)


class Need(StrEnum):
    """What has to be there before a metric can be stated; the value says it in words."""

    BLOWS = "single blows that the converter can tell apart"
    SHAPE = "blows sampled well enough to see their shape"
    CALIBRATION = "a valid calibration for the sign of the torque"
    ZERO = "a zero reading right before or after the run"
    QUIET = "a quiet stretch in which the rig has stopped ringing"
    AFTER = "a stretch after the last blow"
    MARK = "a run that lasts to the time mark"


@dataclass(frozen=True, slots=True)
class Metric:
    """One entry. ``label`` is for headings; ``rigs`` are the kinds of rig it exists for."""

    name: str
    label: str
    unit: str
    definition: str
    computed: str
    uncertainty: str
    needs: tuple[Need, ...]
    rigs: tuple[RigKind, ...] = ALL_RIGS
    torque: bool = True
    marked: bool = False


_CALIBRATION = (
    "calibration (slope, with what arm, gravity and weights share; largest residual; bend above the highest "
    "hung weight)"
)

_ENTRIES = (
    Metric(
        name="retained_final",
        label="final retained torque",
        unit="N·m",
        definition=(
            "Torque the joint keeps after the run (common practice: read 50 to 200 ms after the last blow)."
        ),
        computed=(
            "Tightening sign times the mean torque from 50 to 200 ms after the last blow; where the tool "
            "went on turning without a blow, from half a second after the signal to release; with a slow "
            "converter the mean of the record's last half, from half a second after that signal."
        ),
        uncertainty=f"{_CALIBRATION}, zero before and after, noise of the mean.",
        needs=(Need.CALIBRATION, Need.ZERO, Need.AFTER),
        rigs=HELD_RIGS,
    ),
    Metric(
        name="retained_at",
        label="retained torque",
        unit="N·m",
        definition="Torque the joint keeps at a time mark, counted from the start of the first blow.",
        computed=(
            "Tightening sign times the level between blows (median of the second half of the interval), "
            "interpolated at the mark; never extrapolated."
        ),
        uncertainty=f"{_CALIBRATION}, zero, noise of the level, half the step between the two levels.",
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.MARK),
        rigs=HELD_RIGS,
        marked=True,
    ),
    Metric(
        name="peak_at",
        label="peak torque",
        unit="N·m",
        definition="Peak torque of the blows at a time mark, counted from the start of the first blow.",
        computed="Rotation times the peaks of the blows, interpolated at the mark; never extrapolated.",
        uncertainty=f"{_CALIBRATION}, zero, noise, half the step between the two peaks; sampling as a bound.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO, Need.MARK),
        rigs=OTHER_RIGS,
        marked=True,
    ),
    Metric(
        name="mean_torque",
        label="mean torque",
        unit="N·m",
        definition=(
            "Mean of the torque over the drive window: from time zero to the planned end or the start of the"
            " last blow, whichever comes first."
        ),
        computed=(
            "Rotation times the time integral of the torque over the window, divided by its length. Withheld "
            "where a held rig is loosened: the transducer then carries the joint's own torque as well."
        ),
        uncertainty=(
            f"{_CALIBRATION}, zero, noise, sampling of the blows, ends of the window, missing samples."
        ),
        needs=(Need.CALIBRATION, Need.ZERO),
    ),
    Metric(
        name="impulse_mean",
        label="impulse per blow",
        unit="N·m·s",
        definition="Mean over the blows of the time integral of torque over its slow level.",
        computed=(
            "Trapezoid rule over the whole ring-down, to the next blow at latest; the level changes from "
            "that before to that after at the apex. A double strike counts with its blow."
        ),
        uncertainty=f"{_CALIBRATION}, noise of torque and levels, sampling, position of the apex.",
        needs=(Need.BLOWS, Need.CALIBRATION),
    ),
    Metric(
        name="peak_mean",
        label="mean peak",
        unit="N·m",
        definition="Mean of the peak torques of all blows (gross: from zero, not from the level).",
        computed="Rotation times the mean of the largest sample of each blow, unfiltered.",
        uncertainty=(
            f"{_CALIBRATION}, zero, noise; what sampling and the converter's filter may hide, and what noise "
            "may add, are one-sided bounds beside it."
        ),
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
    ),
    Metric(
        name="peak_max",
        label="highest peak",
        unit="N·m",
        definition="Largest peak torque of all blows.",
        computed="Rotation times the largest sample of any blow, unfiltered.",
        uncertainty=f"{_CALIBRATION}, zero, noise; sampling, filter and noise bounds as for the mean peak.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
    ),
    Metric(
        name="maximum_torque",
        label="maximum torque",
        unit="N·m",
        definition="Largest torque along the rotation in the whole record, blow or not.",
        computed="Largest sample of rotation times torque, unfiltered.",
        uncertainty=f"{_CALIBRATION}, zero, noise; sampling, filter and noise bounds as for the mean peak.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
    ),
    Metric(
        name="blow_rate",
        label="blow rate",
        unit="1/s",
        definition="How often the tool strikes: one over the median interval between blows.",
        computed="Over intervals that are neither those of a missed blow nor of a double strike.",
        uncertainty=(
            "each blow to half a sample, the median to half a sample where blows are timed in whole samples, "
            "clock of the board (100 ppm, common practice)."
        ),
        needs=(Need.BLOWS,),
        torque=False,
    ),
    Metric(
        name="blow_count",
        label="blows",
        unit="1",
        definition="Number of blows in the record.",
        computed="Blows found on the torque less its slow level; a double strike counts once.",
        uncertainty=(
            "exact, where each blow rises ten times above the noise and the rig's ring halves between blows;"
            " else flagged."
        ),
        needs=(Need.BLOWS,),
        torque=False,
    ),
    Metric(
        name="width_median",
        label="blow width",
        unit="ms",
        definition=(
            "Median width of the blows at half their height over the level, as the converter shows them."
        ),
        computed="Between the interpolated crossings of half the net peak.",
        uncertainty=(
            "crossings to half a sample; filter and resonance widen and shift blows, which is flagged."
        ),
        needs=(Need.BLOWS, Need.SHAPE),
        torque=False,
    ),
    Metric(
        name="maximum_counts",
        label="greatest reading",
        unit="counts",
        definition="Largest departure from the zero reading in the record. Given where torque is not known.",
        computed="Converter counts less the zero, with their sign.",
        uncertainty="none stated: a reading, not a measured torque.",
        needs=(Need.ZERO,),
        torque=False,
    ),
    Metric(
        name="maximum_mv_per_v",
        label="greatest reading",
        unit="mV/V",
        definition="Largest departure from the zero reading in the record. Given where torque is not known.",
        computed=(
            "Counts less the zero, by the converter's scale (ratiometric, or with a measured excitation)."
        ),
        uncertainty="none stated: a reading, not a measured torque.",
        needs=(Need.ZERO,),
        torque=False,
    ),
    Metric(
        name="rest_counts",
        label="reading at rest",
        unit="counts",
        definition="Reading at the end of the record, less the zero. Given where torque is not known.",
        computed="Mean of the last 200 ms (at least 3 samples), with its sign.",
        uncertainty="none stated: a reading, not a measured torque.",
        needs=(Need.ZERO,),
        torque=False,
    ),
    Metric(
        name="rest_mv_per_v",
        label="reading at rest",
        unit="mV/V",
        definition="Reading at the end of the record, less the zero. Given where torque is not known.",
        computed="Mean of the last 200 ms (at least 3 samples), by the converter's scale.",
        uncertainty="none stated: a reading, not a measured torque.",
        needs=(Need.ZERO,),
        torque=False,
    ),
)

CATALOGUE = {entry.name: entry for entry in _ENTRIES}
"""Every metric by its name, the leading ones first."""


def metric(name: str) -> Metric:
    """The entry of this name.

    Raises:
        AnalysisError: there is none.
    """
    if name not in CATALOGUE:
        raise AnalysisError(f"there is no metric {name!r}: use one of {', '.join(CATALOGUE)}")
    return CATALOGUE[name]


def label(name: str, at_s: float | None = None) -> str:
    """The label of a value: its mark belongs to it."""
    words = metric(name).label
    return words if at_s is None else f"{words} at {at_s:g} s"
