"""Every flag that may concern a run as a whole: when it is raised, what it means, how much it weighs.

Together with ``catalogue`` this is the one table from which reports and ``anviltrace metrics --explain`` take
their words. The weights make the quality of a run (``quality``). Texts of flags begin with what is the case;
what differs from run to run, or what to do about it, comes after a colon.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from anviltrace.metrics.catalogue import Source


class Weight(StrEnum):
    """What a flag makes of its run; the value says it in words."""

    NOTED = "noted"
    PEAKS = "peaks, widths and rises with care"
    CARE = "usable with care"
    UNUSABLE = "not usable"


@dataclass(frozen=True, slots=True)
class Flag:
    """One entry: when the flag is ``raised``, and what it ``means`` for the numbers or asks for."""

    name: str
    weight: Weight
    raised: str
    means: str
    source: Source = Source.OWN


DOUBTFUL = "doubtful"

_ENTRIES = (
    Flag(
        "no_blows", Weight.UNUSABLE,
        "No blow was found, or blows against the rotation of the plan.",
        "Nothing of the tool can be told from this run.",
    ),
    Flag(
        "not_struck", Weight.UNUSABLE,
        "The converter is too slow for single blows, and the recorder saw no onset.",
        "There is no time zero, so nothing that counts from it.",
    ),
    Flag(
        "uncalibrated", Weight.UNUSABLE,
        "There is no calibration for a sign of torque that the run needs.",
        "Torque is withheld; readings in counts and mV/V stand in. Counts and rates of blows hold.",
    ),
    Flag(
        "interrupted", Weight.CARE,
        "The run did not come to its planned end.",
        "It is left out of comparisons; what it has is evaluated.",
    ),
    Flag(
        "missing_samples", Weight.CARE,
        "Samples were lost on the way or by the converter.",
        "They are bridged by straight lines and never counted as read; blows in a gap are not seen.",
        Source.COMMON,
    ),
    Flag(
        "clipped", Weight.CARE,
        "Samples lie at the converter's limit, or the tops of two blows or more are flat at one value.",
        "Peaks, impulses and mean torque are lower bounds (> in tables); widths, rises and shape numbers are "
        "withheld where more than a tenth of the blows are cut off. Choose a lower gain.",
        Source.COMMON,
    ),
    Flag(
        "wide_step", Weight.CARE,
        "For 20 ms and more, or in a zero reading, the record stays on a code of the converter that is far "
        "wider than the others (an RP2040's own ADC: 512, 1536, 2560, 3584).",
        "A level there looks like a plateau and steadier than it is: it may lie anywhere within the code. "
        "That is in the uncertainty of torques, and in no slope or scatter.",
    ),
    Flag(
        "no_zero", Weight.CARE,
        "There is no zero reading right before or after the run.",
        "What counts from zero is withheld: peaks, levels, mean torque.",
    ),
    Flag(
        "zero_missing", Weight.CARE,
        "One of the two zero readings is missing.",
        "What the zero moved during the run is not known and not in the uncertainty.",
    ),
    Flag(
        "zero_unsteady", Weight.CARE,
        "The samples of a zero reading scatter 1.5 times more than their noise.",
        "The joint or the tool was not at rest: let it settle first.",
    ),
    Flag(
        "zero_moved", Weight.CARE,
        "The zero moved by more than 1 % of the largest torque from before to after the run.",
        "Half of it is in every torque as a rectangle. Warming up, a slipped arm, a yielded part?",
    ),
    Flag(
        "kind_of_rig", Weight.CARE,
        "On a held rig the level stays below 3 % of the peaks; on a fixed or through one more than 5 % of "
        "the peaks stay after the blows.",
        "The declared kind is believed and the data contradict it: one of both is wrong.",
    ),
    Flag(
        "not_slack", Weight.CARE,
        "The plan starts slack, and more than 2 % of the peaks stands before the first blow.",
        "The joint was preset, or the zero was read with something on the rig.",
    ),
    Flag(
        "early_release", Weight.CARE,
        "Blows end more than 0.3 s before the signal to release; when loosening, with torque left.",
        "The trigger was let go early: the drive window ends at the last blow.",
    ),
    Flag(
        "cut_blow", Weight.CARE,
        "The record, or a piece of it beside a gap, begins or ends in the middle of a blow.",
        "That blow is left out, so that time zero may be one blow late, or the last blow one early.",
    ),
    Flag(
        "one_blow", Weight.CARE,
        "The record holds one blow only.",
        "Its impulse, peak and width are stated; there is neither a drive window nor a rate.",
    ),
    Flag(
        "many_missed", Weight.CARE,
        "More than 5 % of the blows seem missed, and 3 at least.",
        "The tool slips or the converter misses blows; means are of the others.",
    ),
    Flag(
        "weak_blows", Weight.CARE,
        "The weakest blow rises less than 10 standard deviations above the noise.",
        "Weaker ones may be missed, and noise may be taken for some.",
    ),
    Flag(
        "rings_on", Weight.CARE,
        "More than half of the height of a blow still rings when the next one comes.",
        "Blows may be missed or made up.",
    ),
    Flag(
        DOUBTFUL, Weight.CARE,
        "Something casts doubt on the calibration: age, overload, a jump of the zero, another cable.",
        "Torque is stated all the same. Hang a check weight.",
    ),
    Flag(
        "imported", Weight.CARE,
        "The recording was made elsewhere.",
        "Torque is as the recording's maker states it, and the filter of what recorded it is not known: tips "
        "of blows may be lower than they were.",
    ),
    Flag(
        "notices", Weight.CARE,
        "The recorder or the board noted something that matters.",
        "Its words are given.",
    ),
    Flag(
        "undersampled", Weight.PEAKS,
        "Less than 5 samples on the base width (1.5 times the width at half height) of a usual blow.",
        "A single peak may read low by 4.9 % and more, which is a bound beside it; below 2.5 samples peaks, "
        "widths and rises are withheld.",
        Source.DERIVED,
    ),
    Flag(
        "resonance", Weight.PEAKS,
        "The natural frequency of the rig is not on record, or its blows last few periods of it.",
        "Told beside peaks, widths and rises. At fn·w below 4 a peak may be 10 % off, below 8 5 %, below 16 "
        "2 % "
        "(damping 0.01); below 1.5 they are withheld. Without a ring-down on record no bound holds this.",
        Source.DERIVED,
    ),
    Flag(
        "rings_otherwise", Weight.PEAKS,
        "What rings between the blows has another frequency, by more than 5 %, than the ring-down on record.",
        "Something else rings along, so that the bounds of peaks and widths may not hold. Tap anew.",
    ),
    Flag(
        "came_loose", Weight.NOTED,
        "A loosened joint is free before the signal to release: less than 5 % of its torque is left. Rigs "
        "that "
        "see no retained torque only show that blows ended.",
        "No fault of the run: a tool that turns freely does not strike.",
    ),
    Flag(
        "missed_blows", Weight.NOTED,
        "Fewer blows than that seem missed (intervals above 1.5 times the running median of 11).",
        "The blow rate leaves them out, the mean rate does not.",
        Source.COMMON,
    ),
    Flag(
        "double_blows", Weight.NOTED,
        "Intervals below half the running median of 11.",
        "A pair counts once in counts and rates, both in the impulse.",
        Source.COMMON,
    ),
    Flag(
        "partial_first", Weight.NOTED,
        "The first blow has less than half the height of the following ones.",
        "The hammer was not up to speed; time zero is its start all the same.",
    ),
    Flag(
        "knocks", Weight.NOTED,
        "Something struck more than a quarter of a second before the onset that the recorder saw.",
        "Left out.",
    ),
    Flag(
        "hum", Weight.NOTED,
        "Sinusoids at 50 or 60 Hz, or multiples, make a quarter of the noise before the first blow.",
        "Levels and impulses stand it, and it is in the noise of all numbers. Look at leads, screen, supply.",
    ),
    Flag(
        "slow", Weight.NOTED,
        "Fewer than 1000 samples a second.",
        "Mean and final torque only: single blows are not seen.",
    ),
)  # fmt: skip

FLAGS = {entry.name: entry for entry in _ENTRIES}
"""Every flag by its name, the heaviest first."""
