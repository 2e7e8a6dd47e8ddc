"""Which calibration holds for a run, or why none does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from anviltrace.calibration.course import read_outline, why_unfinished
from anviltrace.calibration.line import ONE_ARM, LineFit, fit_line
from anviltrace.calibration.secondarm import Side
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, Calibration, LoadStep, Mass, ScaleKind, Settings, Zero, turning

_SAME = 1e-4
"""Measured excitations that agree this well, relatively, are the same."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A calibration with everything its line is computed from; ``masses`` by id.

    ``steps`` are the readings that were kept: neither repeated nor discarded. ``side`` is its finished series
    with a second arm, ``bare`` the reading of the bare rig before it; None where there is none.
    """

    calibration: Calibration
    rig_id: str
    settings: Settings
    steps: tuple[LoadStep, ...]
    masses: Mapping[str, Mass]
    arm: Arm
    side: Side | None = None
    bare: Zero | None = None

    @property
    def side_of(self) -> str:
        """Id of the calibration whose series with a second arm this is; empty for any other."""
        outline = read_outline(self.calibration.course)
        return "" if outline is None else outline.side_of

    @property
    def why_unfinished(self) -> str:
        """What it lacks, in words with what to do; empty when its course is done."""
        outline = read_outline(self.calibration.course)
        return why_unfinished(outline, self.steps, self.calibration.id)

    def fit(self) -> LineFit:
        """Its line; raises CalibrationError when it was not finished or shows no torque."""
        if self.why_unfinished:
            raise CalibrationError(self.why_unfinished)
        fit = fit_line(self.steps, self.calibration, self.masses, self.arm)
        return fit if self.side is None else replace(fit, cannot_tell=self._cannot_tell(fit, self.side))

    def _cannot_tell(self, fit: LineFit, side: Side) -> tuple[str, ...]:
        second = (
            f"Second arm: its series is calibration {side.calibration.id[:8]}; what the weights' pull to the "
            "side does is in the budget (b_l), and not in the uncertainty of runs."
        )
        return tuple(second if sentence == ONE_ARM else sentence for sentence in fit.cannot_tell)


def choose(candidates: Sequence[Candidate], sign: int, rig_id: str, settings: Settings) -> LineFit | str:
    """The line of the newest calibration for torque of this sign on this rig with these settings.

    Or, where there is none, the reason in words with what to do.
    """
    found = _newest(candidates, sign, rig_id, settings)
    other = _newest(candidates, -sign, rig_id, settings)
    if isinstance(found, str) or isinstance(other, str):
        return found
    if found.line.counts_per_nm * other.line.counts_per_nm > 0.0:
        return found
    return (
        "the calibrations for clockwise and counter-clockwise torque disagree about which way the counts go: "
        "in one the weights hung on the wrong side; record that one anew"
    )


def choose_named(
    named: Candidate, candidates: Sequence[Candidate], sign: int, rig_id: str, settings: Settings
) -> LineFit | str:
    """The same, but for torque of its sign by the calibration ``named``, or why that does not fit."""
    if named.side_of:
        second = f"it is the series with a second arm beside {named.side_of[:8]}"
        return f"calibration {named.calibration.id[:8]} does not fit: {second}"
    if sign != named.calibration.sign:
        others = [one for one in candidates if one.calibration.sign == sign]
        return choose([named, *others], sign, rig_id, settings)
    others = [one for one in candidates if one.calibration.sign != sign]
    found = choose([named, *others], sign, rig_id, settings)
    return (
        f"calibration {named.calibration.id[:8]} does not fit: {found}" if isinstance(found, str) else found
    )


def _newest(candidates: Sequence[Candidate], sign: int, rig_id: str, settings: Settings) -> LineFit | str:
    direction = turning(sign)
    remedy = f"run: anviltrace calibration record --direction {'cw' if sign > 0 else 'ccw'}"
    newest_first = sorted(candidates, key=lambda one: one.calibration.taken_at, reverse=True)
    here = [
        one
        for one in newest_first
        if one.rig_id == rig_id and one.calibration.sign == sign and not one.side_of
    ]
    if not here:
        return f"no calibration for {direction} torque on this rig; {remedy}"
    reasons = []
    for candidate in here:
        reason = why_other_settings(candidate.settings, settings)
        if not reason:
            try:
                return candidate.fit()
            except CalibrationError as error:
                reason = str(error)
        reasons.append(reason if candidate.why_unfinished else f"{reason}; {remedy}")
    return f"no valid calibration for {direction} torque: {reasons[0]}"


def why_other_settings(calibrated: Settings, used: Settings) -> str:
    """In what the converter was set otherwise than for the calibration; empty when a count means the same."""
    for name, unit in (("gain", ""), ("rate_hz", " samples/s"), ("scale_kind", "")):
        then, now = getattr(calibrated, name), getattr(used, name)
        if then != now:
            what = name.removesuffix("_hz").replace("_", " ")
            return f"it was made with {what} {_text(then)}{unit}, the run with {_text(now)}{unit}"
    if (calibrated.full_scale, calibrated.full_scale_code) != (used.full_scale, used.full_scale_code):
        return "it was made with another full scale of the converter"
    return "" if _same_excitation(calibrated, used) else "it was made with another excitation of the bridge"


def _same_excitation(calibrated: Settings, used: Settings) -> bool:
    """Where the scale is a ratio, the excitation does not matter."""
    if used.scale_kind is ScaleKind.RATIO:
        return True
    then, now = calibrated.excitation_v, used.excitation_v
    if then is None or now is None:
        return then is now
    return calibrated.excitation_source == used.excitation_source and abs(now - then) <= _SAME * abs(then)


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
