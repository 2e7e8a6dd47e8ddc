"""Every metric there is: its name, unit, definition, what it needs and how its uncertainty is made.

The one table from which tables, reports and ``anviltrace metrics --explain`` take their words; flags that
concern a run as a whole are in ``flagtable``. No standard we know of defines a torque test of impact
wrenches, so the definitions are our own; ``source`` says where they follow common practice.
"""

from __future__ import annotations

from difflib import get_close_matches

from anviltrace.errors import AnalysisError
from anviltrace.metrics.entry import (
    ALL_RIGS,
    HELD_RIGS,
    OTHER_RIGS,
    Group,
    Mark,
    Metric,
    Need,
    Source,
)
from anviltrace.metrics.sidecatalogue import BESIDE

__all__ = [
    "ALL_RIGS",
    "CATALOGUE",
    "HELD_RIGS",
    "OTHER_RIGS",
    "Group",
    "Mark",
    "Metric",
    "Need",
    "Source",
    "label",
    "mark_as_data",
    "metric",
]

_CALIBRATION = (
    "calibration (slope, with what arm, gravity and weights share; departure from the line; bend above the "
    "highest hung weight)"
)
_APEX = (
    "The apex is that of the parabola through the largest sample and its neighbours where the base width "
    "(1.5 times the width at half height) has five samples or more, else the largest sample."
)
_CUT = "Only a lower bound is stated where tops are cut off by the converter or by what is before it."
_OUTLINE = "Withheld below an observed fn·w of 1.5, and where more than a tenth of the tops are cut off."

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
            "converter the mean of the last half of what follows half a second after that signal."
        ),
        uncertainty=(
            f"{_CALIBRATION}, zero before and after, noise of the mean; where the tool went on turning, what "
            "the torque still changes by up to the end of the record, since it may have been let go later."
        ),
        needs=(Need.CALIBRATION, Need.ZERO, Need.AFTER),
        group=Group.LEADING,
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
        uncertainty=(
            f"{_CALIBRATION}, zero, noise of the level; half the step between the two levels or, where it is "
            "more, how far the interpolated level lies from that of before or after the blow."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.MARK),
        group=Group.LEADING,
        rigs=HELD_RIGS,
        marked=Mark.TIME,
    ),
    Metric(
        name="peak_at",
        label="peak torque",
        unit="N·m",
        definition="Peak torque of the blows at a time mark, counted from the start of the first blow.",
        computed="Rotation times the peaks of the blows, interpolated at the mark; never extrapolated.",
        uncertainty=f"{_CALIBRATION}, zero, noise, half the step between the two peaks; sampling as a bound.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO, Need.MARK),
        group=Group.LEADING,
        rigs=OTHER_RIGS,
        marked=Mark.TIME,
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
            "Rotation times the time integral of the torque over the window, divided by its length. A slow "
            "converter's window begins at the onset, which it may see some blows late where a joint keeps "
            "little of the first ones. Withheld where a held rig is loosened: the transducer then carries "
            "the joint's own torque as well."
        ),
        uncertainty=(
            f"{_CALIBRATION}, zero, noise, sampling of the blows, ends of the window, missing samples. {_CUT}"
        ),
        needs=(Need.CALIBRATION, Need.ZERO),
        group=Group.LEADING,
        source=Source.OWN,
    ),
    Metric(
        name="impulse_mean",
        label="impulse per blow",
        unit="N·m·s",
        definition=(
            "Mean over the blows of the drive window of the time integral of torque over its slow level."
        ),
        computed=(
            "Sum of the samples over the whole ring-down, to the next blow at latest; the level changes from "
            "that before to that after at the apex. A double strike counts with its blow."
        ),
        uncertainty=(
            f"{_CALIBRATION}, noise of torque and levels, sampling, position of the apex; blows without a "
            f"level or at a gap, which are left out, as if they were as far from the mean as any. {_CUT}"
        ),
        needs=(Need.BLOWS, Need.CALIBRATION),
        group=Group.LEADING,
        source=Source.DERIVED,
    ),
    Metric(
        name="peak_mean",
        label="mean peak",
        unit="N·m",
        definition=(
            "Mean of the peak torques of the blows of the drive window (gross: from zero, not from the "
            "level); second strikes are left out."
        ),
        computed=f"Rotation times the mean of the apexes, unfiltered unless a filter is named. {_APEX}",
        uncertainty=(
            f"{_CALIBRATION}, zero, noise; what sampling and filters may hide, what noise may add, and with "
            "a ring-down on record what the rig's resonance does, are one-sided bounds beside it. Resonance: "
            "the largest departure of half a sine or a parabola seen with as many swings of the rig in a "
            f"blow (fn·w) or more, and what still rings. Withheld below an observed fn·w of 1.5. {_CUT}"
        ),
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
        group=Group.LEADING,
        source=Source.DERIVED,
    ),
    Metric(
        name="net_peak_mean",
        label="mean net peak",
        unit="N·m",
        definition="Mean over the blows of the peak torque less the level right before the blow.",
        computed=f"{_APEX} The level is the median of half the interval before the blow, 25 ms at most.",
        uncertainty=(
            f"{_CALIBRATION}, noise of apex and level, ring in the levels; all bounds as for the mean peak. "
            "The zero does not enter."
        ),
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION),
        group=Group.BLOWS,
        source=Source.DERIVED,
    ),
    Metric(
        name="peak_max",
        label="highest peak",
        unit="N·m",
        definition="Largest peak torque of the blows of the drive window; second strikes are left out.",
        computed=f"Rotation times the largest apex of any blow, unfiltered unless a filter is named. {_APEX}",
        uncertainty=f"{_CALIBRATION}, zero, noise; all bounds as for the mean peak.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
        group=Group.BLOWS,
    ),
    Metric(
        name="maximum_torque",
        label="maximum torque",
        unit="N·m",
        definition="Largest torque along the rotation in the whole record, blow or not.",
        computed="Largest sample of rotation times torque, unfiltered unless a filter is named.",
        uncertainty=f"{_CALIBRATION}, zero, noise; all bounds as for the mean peak.",
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION, Need.ZERO),
        group=Group.BLOWS,
    ),
    Metric(
        name="blow_rate",
        label="blow rate",
        unit="1/s",
        definition="How often the tool strikes: one over the median interval between blows.",
        computed=(
            "Over intervals that are neither those of a missed blow nor of a double strike. Blows are timed "
            "by the middle between their two half heights: noise and ring move an apex far more."
        ),
        uncertainty=(
            "times of the blows: 0.14/N samples for straight lines between samples (N samples on the base "
            "width), noise and what still rings over the slope at half height, 0.4 % of the base width on a "
            "held rig; clock of the board (100 ppm, common practice)."
        ),
        needs=(Need.BLOWS,),
        group=Group.LEADING,
        torque=False,
    ),
    Metric(
        name="blow_count",
        label="blows",
        unit="1",
        definition="Number of blows within the drive window, the last one included.",
        computed="Blows found on the torque less its slow level; a double strike counts once.",
        uncertainty=(
            "exact, where each blow rises ten times above the noise and the rig's ring halves between blows;"
            " else flagged."
        ),
        needs=(Need.BLOWS,),
        group=Group.LEADING,
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
            "crossings to 0.4 of a sample, noise over the slope there, 0.6/N sample distances for straight "
            "lines between N samples on the base width. By how much noise makes blows read narrow is a "
            "one-sided bound. Filters widen blows, and resonance widens or narrows them: a flag, and with a "
            "ring-down on record a one-sided bound for the resonance (as for the mean peak) and for the "
            f"converter's filter; a filter that is named always has one. {_OUTLINE}"
        ),
        needs=(Need.BLOWS, Need.SHAPE),
        group=Group.BLOWS,
        source=Source.DERIVED,
        torque=False,
    ),
    Metric(
        name="rise_median",
        label="rise, 10 to 90 %",
        unit="ms",
        definition=(
            "Median time in which the blows rise from 10 to 90 % of their height over the level, as the "
            "converter shows them. Half a sine rises in 0.3245 of its base width."
        ),
        computed="Between the interpolated crossings of 10 and 90 % of the net peak.",
        uncertainty=(
            "crossings to 0.4 of a sample, noise over the slope there; straight lines between samples make "
            "it read long by up to 2.8/N sample distances, N samples on the base width (half sines, tried at "
            "all phases), and noise by lifting the apex and where 90 % are first met from there. Filters and "
            "resonance are flagged; a filter that is named is a bound, and with a ring-down on record the "
            f"resonance, as for the mean peak. {_OUTLINE}"
        ),
        needs=(Need.BLOWS, Need.SHAPE),
        group=Group.BLOWS,
        source=Source.DERIVED,
        torque=False,
    ),
    Metric(
        name="shape_number",
        label="shape number J/(p·w)",
        unit="1",
        definition=(
            "Median of impulse over net peak times width at half height: 0.955 (3/π) for half a sine, 1 for "
            "a triangle, 1.064 for a Gaussian. It tells blows that are alike from such that are not."
        ),
        computed="From impulse, net peak and width of each blow; doubles are left out.",
        uncertainty=(
            "scatter of the blows over √n (times 1.25 for a median), a rectangle of 1.5/N² (N samples on the "
            "base width; half sines, tried at all phases); bounds of peak and width make bounds of it. The "
            f"calibration cancels. {_OUTLINE}"
        ),
        needs=(Need.BLOWS, Need.SHAPE),
        group=Group.BLOWS,
        source=Source.DERIVED,
        torque=False,
    ),
    Metric(
        name="blow_rate_mean",
        label="mean blow rate",
        unit="1/s",
        definition=(
            "Blows less one over the time from the first to the last: missed blows lower it, unlike the "
            "blow rate. A double strike counts once."
        ),
        computed=(
            "(N − 1)/(t_N − t_1) over the blows of the drive window, timed as for the blow rate; gaps and "
            "what they cut are left out."
        ),
        uncertainty=(
            "times of the first and the last blow, clock of the board: see the blow rate. On a held rig the "
            "level changes the outline of blows, and the last is 3.5 % of the base width off against the "
            "first, with a ring-down on record 0.06 of the rig's period at most."
        ),
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="interval_median",
        label="median interval",
        unit="ms",
        definition=(
            "Median time from blow to blow, over intervals without a missed blow; a double counts once."
        ),
        computed=("Timed as for the blow rate. Missed: above 1.5 times the running median of 11 intervals."),
        uncertainty="as for the blow rate.",
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="interval_sd",
        label="spread of the intervals",
        unit="ms",
        definition="Standard deviation of the intervals without a missed blow.",
        computed="Sample standard deviation of the same intervals as the median.",
        uncertainty=(
            "times of the blows (0.6 % of the base width on a held rig; where widths jump by a quarter and "
            "more, as half heights lie on another swing of the rig, half of that as well): by chance, and "
            "what they add to the spread, as a rectangle; clock of the board. A figure of this run alone."
        ),
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="interval_cv",
        label="spread over mean interval",
        unit="%",
        definition=(
            "Coefficient of variation of the intervals without a missed blow: how evenly the tool strikes."
        ),
        computed="100 times their standard deviation over their mean.",
        uncertainty="as for the spread; the clock cancels.",
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="missed_blows",
        label="missed blows",
        unit="1",
        definition="Blows that seem missed within the drive window: intervals too long by whole blows.",
        computed=(
            "An interval above 1.5 times the running median of 11 lacks round(interval/median) − 1 blows; "
            "nothing is said across a gap."
        ),
        uncertainty="exact by its rule; what does not strike cannot be told from what is not seen.",
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="double_blows",
        label="double strikes",
        unit="1",
        definition="Blows within the drive window that follow the one before too soon to be the next.",
        computed=(
            "An interval below half the running median of 11. The pair counts once in rates and counts, both "
            "count in the impulse; strikes less than 3 ms apart are one blow."
        ),
        uncertainty="exact by its rule.",
        needs=(Need.BLOWS,),
        group=Group.RHYTHM,
        torque=False,
    ),
    Metric(
        name="time_to",
        label="time",
        unit="s",
        definition=(
            "Time from the start of the first blow until the joint keeps a torque named in the plan "
            '(thresholds_nm) or with --threshold. A level that the run does not reach gives "more than" the '
            "time for which it was watched (right-censored), a value of its own."
        ),
        computed=(
            "First crossing of the levels between blows, straight from one to the next, less time zero; 0 "
            "where the joint kept that much before."
        ),
        uncertainty=(
            f"{_CALIBRATION}, zero, noise of the level, each over the slope of the climb there; half an "
            "interval between blows or, where it is more, how far the crossing lies from the blow with which "
            "the level rises."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        torque=False,
        marked=Mark.TORQUE,
        climbing=True,
    ),
    Metric(
        name="climb_end",
        label="end torque T∞ (exponential)",
        unit="N·m",
        definition="The torque that the climb comes to by C(t) = T∞ − (T∞ − T0)·exp(−(t − t0)/τ).",
        computed=(
            "Least squares through the levels after the blows. Refused below 1.5 time constants: the "
            "standard error is 24 % at half a constant, 1.6 % at 1.5 and 0.3 % at 3 (42 blows a second, 1 % "
            "scatter)."
        ),
        uncertainty=(
            f"{_CALIBRATION}, zero; standard error of the fit, with how far residuals go together from blow "
            "to blow. That the climb is an exponential is assumed: see which model the levels speak for."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        source=Source.DERIVED,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="climb_tau",
        label="time constant τ (exponential)",
        unit="s",
        definition="The time in which what is missing to the end torque falls to 1/e (37 %).",
        computed="From the same fit as the end torque; refused below 1.5 time constants.",
        uncertainty="standard error of the fit, as for the end torque. The calibration cancels.",
        needs=(Need.BLOWS, Need.QUIET, Need.LEVELS),
        group=Group.CLIMB,
        source=Source.DERIVED,
        rigs=HELD_RIGS,
        torque=False,
        climbing=True,
    ),
    Metric(
        name="climb_rms",
        label="scatter about the exponential",
        unit="N·m",
        definition="Root mean square of what the exponential leaves of the levels.",
        computed="From the same fit as the end torque; refused below 1.5 time constants.",
        uncertainty=(
            f"{_CALIBRATION}; noise of the levels: by chance, and what it adds to the scatter, as a "
            "rectangle. A figure of this run alone."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.LEVELS),
        group=Group.CLIMB,
        source=Source.DERIVED,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="climb_gain",
        label="C² gained per blow (square root)",
        unit="(N·m)²",
        definition=(
            "The rise of the level's square with each blow by C_n = √(C0² + g·n): g = 2·K·η·E for a joint of "
            "the rate K that takes the same useful energy η·E from every blow (energy balance, not measured)."
        ),
        computed="Least squares through the levels after the blows, C0² not below 0.",
        uncertainty="calibration twice (a square), standard error of the fit as for the end torque.",
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        source=Source.DERIVED,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="climb_aic",
        label="AIC, exponential less root",
        unit="1",
        definition=(
            "Akaike's criterion of the exponential less that of the square root: below −2 the levels speak "
            "for the exponential, above +2 for the square root, between them for neither."
        ),
        computed="m·ln(RSS/m) + 2·k of each fit, m levels, k parameters with the scatter.",
        uncertainty="none stated: residuals count as independent, so that a small difference means little.",
        needs=(Need.BLOWS, Need.QUIET, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        source=Source.DERIVED,
        rigs=HELD_RIGS,
        torque=False,
        climbing=True,
    ),
    Metric(
        name="climb_linearity",
        label="non-linearity of the climb",
        unit="%",
        definition=(
            "Largest departure of the levels from the best straight line, between 10 and 90 % of the last "
            "level, over the rise between those (best-straight-line non-linearity)."
        ),
        computed="Least squares through these levels on time.",
        uncertainty=(
            "noise of the level; how much the figure changes where 10 and 90 % fall on other levels; the "
            "transducer's departure from its line. The slope of the calibration cancels."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        torque=False,
        climbing=True,
    ),
    Metric(
        name="climb_r_squared",
        label="R² of that line",
        unit="1",
        definition="Share of the levels' variance between 10 and 90 % that the straight line explains.",
        computed="1 − residual over total sum of squares.",
        uncertainty="none stated: it says how straight a climb is, badly; the non-linearity says it better.",
        needs=(Need.BLOWS, Need.QUIET, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        torque=False,
        climbing=True,
    ),
    Metric(
        name="plateau_slope",
        label="slope at the end",
        unit="N·m/s",
        definition=(
            "Slope of the levels over the last third of the blows, no more than the last 2 s. A plateau is "
            "reached where it is below 1 % of the mean per second and its interval holds 0."
        ),
        computed="Least squares through these levels on time.",
        uncertainty=(
            "slope of the calibration; standard error of the line, with how far residuals go together from "
            "blow to blow."
        ),
        needs=(Need.BLOWS, Need.QUIET, Need.CALIBRATION, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="plateau_percent",
        label="slope at the end, of the level",
        unit="%/s",
        definition="The same slope in percent of the mean level there per second.",
        computed="From the same line.",
        uncertainty="standard error of the line. The calibration cancels.",
        needs=(Need.BLOWS, Need.QUIET, Need.ZERO, Need.LEVELS),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        torque=False,
        climbing=True,
    ),
    Metric(
        name="relaxation",
        label="relaxation in 10 s",
        unit="N·m",
        definition="What the joint loses from 0.1 to 10 s after the last blow.",
        computed=(
            "Mean torque from 50 to 150 ms less that from 9.95 to 10.05 s after the last blow, times the "
            "tightening sign. Plan after_s = 11 or more."
        ),
        uncertainty=(
            "calibration of the difference, noise of both means, and what the zero moved during the run. "
            "Creep of the transducer itself is in it and not told apart."
        ),
        needs=(Need.BLOWS, Need.CALIBRATION, Need.ZERO, Need.LONG_AFTER),
        group=Group.CLIMB,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="impulse_squared",
        label="J² per blow",
        unit="(N·m·s)²",
        definition=(
            "Mean square of the impulse of the blows: a proxy of blow energy, not an energy. For a free "
            "hammer of inertia J_h it is 2·J_h·E·(1 + e)², so it compares blows of the same tool on the "
            "same rig only; inertia and restitution e are not measured."
        ),
        computed="From the impulses of the blows, a double together with its blow.",
        uncertainty="twice that of the impulse, relatively.",
        needs=(Need.BLOWS, Need.CALIBRATION),
        group=Group.ENERGY,
        source=Source.DERIVED,
    ),
    Metric(
        name="peak_impulse",
        label="p·J per blow",
        unit="(N·m)²·s",
        definition=(
            "Mean of net peak times impulse of the blows: a proxy of blow energy, not an energy. Work needs "
            "the angle, which is not measured; like the peak it says as much about the rig as about the tool."
        ),
        computed="From net peak and impulse of each blow; doubles are left out.",
        uncertainty=("calibration twice (a square), noise; what peaks may hide or add is a bound beside it."),
        needs=(Need.BLOWS, Need.SHAPE, Need.CALIBRATION),
        group=Group.ENERGY,
        source=Source.DERIVED,
    ),
    Metric(
        name="impulse_rate",
        label="impulse per second",
        unit="N·m",
        definition=(
            "Impulse per blow times mean blow rate: the torque over the level that the blows make on "
            "average, a proxy of what the tool delivers. It is no power: that needs the angle."
        ),
        computed="Impulse per blow (double strikes with their blow) times mean blow rate.",
        uncertainty="those of impulse and mean rate, relatively and in squares.",
        needs=(Need.BLOWS, Need.CALIBRATION),
        group=Group.ENERGY,
        source=Source.DERIVED,
    ),
    Metric(
        name="time_zero",
        label="time zero in the record",
        unit="s",
        definition=(
            "Time from the first sample to time zero, from which marks count: the start of the first blow "
            "(5 % of its height); where blows cannot be resolved the onset."
        ),
        computed="The start is interpolated between samples, as the converter shows it. An onset is flagged.",
        uncertainty=(
            "half a sample, noise over the slope there, clock of the board. Half the length of the "
            "converter's filter, by which it may show the start early, is a bound, and by how much noise may "
            "show it late, with a ring-down on record also 0.19 of the rig's period."
        ),
        needs=(),
        group=Group.TIME,
        torque=False,
    ),
    Metric(
        name="onset",
        label="onset in the record",
        unit="s",
        definition=(
            "Time from the first sample to the onset: the first departure from the quiet stretch by more "
            "than 5 standard deviations and 2 % of the range that stays beyond half of that for 3 of the "
            "next 5 samples."
        ),
        computed=(
            "Found while recording, then stepped back to the last sample within one standard deviation, 10 "
            "ms at most. Three departures within a quarter of a second count as well."
        ),
        uncertainty="one sample.",
        needs=(),
        group=Group.TIME,
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
        group=Group.READINGS,
        source=Source.OWN,
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
        group=Group.READINGS,
        source=Source.OWN,
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
        group=Group.READINGS,
        source=Source.OWN,
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
        group=Group.READINGS,
        source=Source.OWN,
        torque=False,
    ),
)

_ORDER = list(Group)
CATALOGUE = {
    entry.name: entry for entry in sorted((*_ENTRIES, *BESIDE), key=lambda entry: _ORDER.index(entry.group))
}
"""Every metric by its name, in the order of its group: the leading ones first."""


def metric(name: str) -> Metric:
    """The entry of this name.

    Raises:
        AnalysisError: there is none.
    """
    if name not in CATALOGUE:
        near = get_close_matches(name, CATALOGUE)
        perhaps = f"perhaps {', '.join(near)}; " if near else ""
        raise AnalysisError(
            f"there is no metric {name!r}: {perhaps}`anviltrace metrics --explain` lists them"
        )
    return CATALOGUE[name]


def label(name: str, mark: float | None = None) -> str:
    """The label of a value: its mark belongs to it."""
    entry = metric(name)
    if mark is None:
        return entry.label
    joint = "to" if entry.marked is Mark.TORQUE else "at"
    return f"{entry.label} {joint} {mark:g} {entry.marked or Mark.TIME}"


def mark_as_data(name: str, mark: float | None) -> dict[str, float | None]:
    """The mark of a value under the name of its unit, ``at_s`` or ``at_nm``; both None where it has none."""
    torque = metric(name).marked is Mark.TORQUE
    return {"at_s": None if torque else mark, "at_nm": mark if torque else None}
