"""What casts doubt on a calibration after it was made: flags in words, never refusals. Pure functions.

Each returns an empty text where there is nothing to say.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import UTC, datetime

from anviltrace.calibration.line import REACH, Line
from anviltrace.calibration.shunt import Moved
from anviltrace.records import Calibration

USUAL_DAYS = 365.0
"""A year between calibrations is common practice; used where the weights file agrees on nothing."""
ZERO_JUMP = 0.02
"""Share of the highest hung torque; zeros that differ more from one to the next have jumped. Our choice."""


def why_old(calibration: Calibration, at: str) -> str:
    """Whether a calibration is older, at a time, than the workshop relies on one."""
    days, limit = days_between(calibration.taken_at, at), calibration.valid_days or USUAL_DAYS
    if days <= limit:
        return ""
    source = "as agreed" if calibration.valid_days else "a year, since none was agreed"
    return f"it is {days:.0f} days old, beyond {limit:.0f} days ({source}): calibrate anew"


def why_overloaded(calibration: Calibration, line: Line, highest_net_counts: float) -> str:
    """Whether more torque was recorded since than the rig is known to bear.

    ``highest_net_counts`` is the largest reading since, less the zero, of either sign. The limit is the
    larger of twice the highest hung torque and the rated linearity on record.
    """
    limit_nm = max(REACH * line.highest_nm, calibration.linear_to_nm or 0.0)
    seen_nm = abs(line.torque_nm(highest_net_counts))
    if seen_nm <= limit_nm:
        return ""
    return (
        f"about {seen_nm:.0f} N·m was recorded since, beyond {limit_nm:.0f} N·m (rated, or twice the hung "
        "torque): the transducer may have changed; check with a weight, or calibrate anew"
    )


def why_zero_jumped(line: Line, zeros_counts: Sequence[float]) -> str:
    """Whether the zero jumped since, from one zero reading to the next; in order of time, slack joint."""
    steps = [abs(line.torque_nm(after - before)) for before, after in itertools.pairwise(zeros_counts)]
    limit_nm = ZERO_JUMP * line.highest_nm
    if not steps or max(steps) <= limit_nm:
        return ""
    return (
        f"the zero jumped by {max(steps):.1f} N·m since (limit {limit_nm:.1f} N·m): look at gauges, "
        "cable and fastening, and check with a weight"
    )


def why_other_cable(calibrated: str, used: str) -> str:
    """Whether the cable is another than in the calibration; empty where either is not stated.

    0.5 Ω in each of the two leads that feed a bridge of 350 Ω take 1 − 350/351 of the span.
    """
    if not calibrated or not used or calibrated == used:
        return ""
    return (
        f"it was made with the cable {calibrated!r}, this is {used!r}: with four wires the leads are part of "
        "the span (0.5 Ω each way on 350 Ω: 0.285 %); check with a weight, or calibrate anew"
    )


def why_shunt_moved(name: str, move: Moved | None) -> str:
    """Whether a shunt reading lies further from the calibration's than may be; None: none does."""
    if move is None:
        return ""
    if move.turned:
        return (
            f"the shunt {name} moved the reading the other way than with it: another arm of the bridge, or "
            "wires changed over; look at them, and lay it across the same arm"
        )
    return (
        f"the reading of the shunt {name} moved by {100.0 * move.share:+.2f} % against that taken with it "
        f"(limit {100.0 * move.limit:.2f} %): look at wiring, excitation and gain, and check with a weight"
    )


def why_not_nearest(used: Calibration, others: Sequence[Calibration], run_at: str) -> str:
    """Whether a run takes a calibration made after it although another of its kind is nearer in time."""
    if used.taken_at <= run_at:
        return ""
    apart = abs(days_between(used.taken_at, run_at))
    nearer = [one for one in others if abs(days_between(one.taken_at, run_at)) < apart]
    if not nearer:
        return ""
    nearest = min(nearer, key=lambda one: abs(days_between(one.taken_at, run_at)))
    return (
        f"it was made after the run, and {nearest.id[:8]} of {nearest.taken_at[:10]} is nearer to it: "
        "`anviltrace calibration list` shows how they differ"
    )


def days_between(earlier: str, later: str) -> float:
    """Days from one time to another, both in ISO 8601."""
    return (_time(later) - _time(earlier)).total_seconds() / 86_400.0


def _time(iso: str) -> datetime:
    return datetime.fromisoformat(iso).astimezone(UTC)
