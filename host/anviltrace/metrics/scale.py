"""The calibration lines of both signs, as the evaluation of one run uses them, and what they leave open."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.uncertainty import Part, rectangular

if TYPE_CHECKING:
    from anviltrace.calibration.line import Line
    from anviltrace.metrics.steps import Steps

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scale:
    """For the sign of torque +1 and -1 the line, or the reason in words why there is none.

    ``steps`` are those of the converter, where they are uneven.
    """

    lines: Mapping[int, Line | str]
    steps: Steps | None = None

    def line(self, sign: int) -> Line | None:
        """The line for a sign of torque."""
        found = self.lines.get(sign)
        return None if found is None or isinstance(found, str) else found

    def reason(self, sign: int) -> str:
        """Why there is no line for a sign of torque; empty where there is one."""
        found = self.lines.get(sign, "no calibration was looked for")
        return found if isinstance(found, str) else ""

    @property
    def any_line(self) -> Line | None:
        """Some line, to convert what no metric rests on."""
        return self.line(1) or self.line(-1)

    def counts_per_nm(self, sign: int) -> float:
        """Counts per N·m for a sign of torque; that of the other sign where this one has no line.

        Raises:
            ValueError: there is no line at all.
        """
        line = self.line(sign) or self.any_line
        if line is None:
            raise ValueError("without a calibration counts cannot become N·m")
        return line.counts_per_nm

    def slope_part(self, above_nm: float, below_nm: float = 0.0) -> Part:
        """What the slopes leave open in a value made of positive and negative torque (above and below zero).

        Both in the unit of the value, each with its own sign in it. The lines of both signs share arm,
        gravity and weights, so what they do to the value is added without squares.
        """
        shares = ((abs(above_nm), self.line(1)), (abs(below_nm), self.line(-1)))
        used = [(amount, line) for amount, line in shares if line is not None and amount > 0.0]
        u = sum(amount * line.u_relative for amount, line in used)
        dof = min((line.dof for _, line in used), default=float("inf"))
        return Part("slope of the calibration", u, dof, common=True)

    def residual_part(self, sign: int, factor: float = 1.0) -> Part:
        """The departure from its line of the transducer, and of a converter with uneven steps, times
        ``factor`` (1 for a torque)."""
        line = self.line(sign)
        u = 0.0 if line is None else math.hypot(line.departure_u_nm, self.step_part(sign).u) * abs(factor)
        return Part("departure from the line of the calibration", u, common=True)

    def step_part(self, sign: int) -> Part:
        """What uneven steps of the converter leave open in one reading, N·m."""
        line = self.line(sign) or self.any_line
        off_nm = 0.0 if line is None or self.steps is None else self.steps.off / abs(line.counts_per_nm)
        return rectangular("uneven steps of the converter", off_nm, common=True)

    def bend_nm(self, torque_nm: Numbers | float) -> Numbers:
        """Half width in N·m by which torque may be off because the line bends above the hung weights."""
        torque = np.asarray(torque_nm, dtype=np.float64)
        half_width = np.zeros(torque.shape)
        for sign in (1, -1):
            line = self.line(sign)
            if line is not None:
                over = np.maximum(0.0, sign * torque - line.highest_nm)
                half_width += line.bend_per_nm * over * np.abs(torque)
        return half_width

    def bend_part(self, half_width: float) -> Part:
        """That half width, or its integral or mean in the unit of the value, as a part."""
        return rectangular("bend above the hung weights", half_width, common=True)

    def parts_of_torque(self, torque_nm: float) -> list[Part]:
        """All parts of the calibration in one torque (signed, clockwise positive)."""
        sign = 1 if torque_nm >= 0.0 else -1
        above, below = max(torque_nm, 0.0), min(torque_nm, 0.0)
        bend = self.bend_part(float(self.bend_nm(torque_nm)))
        return [self.slope_part(above, below), self.residual_part(sign), bend]

    def over_limit(self, torques_nm: Numbers | float) -> str:
        """Why one of these torques (signed) cannot be stated; empty where all can."""
        for sign in (1, -1):
            line, most = self.line(sign), float(np.max(sign * np.asarray(torques_nm), initial=0.0))
            if line is not None and most > line.limit_nm:
                return line.why_withheld(most)
        return ""

    def above_weights(self, torques_nm: Numbers | float) -> str:
        """A flag where one of these torques (signed) lies above the highest hung weight; else empty."""
        for sign in (1, -1):
            line, most = self.line(sign), float(np.max(sign * np.asarray(torques_nm), initial=0.0))
            if line is not None and most > line.highest_nm:
                return (
                    f"reaches above the highest hung weight ({line.highest_nm:.0f} N·m); that the "
                    "line may bend there is in the uncertainty"
                )
        return ""
