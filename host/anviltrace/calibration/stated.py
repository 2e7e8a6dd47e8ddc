"""The line of an imported recording: as stated by whoever brought it in, no calibration of ours."""

from __future__ import annotations

import math

from anviltrace.calibration.line import Line
from anviltrace.records import Origin, Settings

NO_SCALE = (
    "imported in {unit} without saying how many N·m that is: bring it in anew with --nm-per-unit and --within"
)


def stated_line(origin: Origin, settings: Settings, sign: int) -> Line | str:
    """Counts to N·m for one sign of torque, or why there is none.

    The line is taken as straight without end; what it is known to is stated, and nothing vouches for it.
    """
    if origin.nm_per_unit is None:
        return NO_SCALE.format(unit=origin.unit)
    return Line(
        calibration_id="",
        sign=sign,
        counts_per_nm=settings.full_scale_code / (settings.full_scale * origin.nm_per_unit),
        u_relative=origin.nm_u_relative,
        dof=math.inf,
        residual_nm=0.0,
        departure_nm=0.0,
        lowest_nm=0.0,
        highest_nm=math.inf,
        bend_per_nm=0.0,
        limit_nm=math.inf,
    )


def origin_flags(origin: Origin) -> tuple[str, ...]:
    """What a reader of numbers from an imported recording must know."""
    within = 100.0 * math.sqrt(3.0) * origin.nm_u_relative
    torque = (
        ()
        if origin.nm_per_unit is None
        else (f"imported from {origin.file_name}: torque as stated by its maker, to \u00b1{within:g} %",)
    )
    return (
        *torque,
        f"imported from {origin.file_name}: the filter of what recorded it is not known, so tips of blows "
        "may be lower than they were",
    )
