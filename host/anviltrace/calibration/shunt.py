"""A resistor laid across one arm of the bridge: what it should show, what it shows, whether it moved.

A bridge of four equal arms R with a shunt S across one of them is out of balance by

    e = R / (4·S + 2·R)

of its excitation, and de/e = (1 − 2·e)·(dR/R − dS/S) (derived from the circuit: the shunted arm R·S/(R + S)
beside R divides the excitation, the other half divides it by two). Which way the output goes depends on the
arm, so sizes are compared, and a sign that changed is told. Pure functions.

A shunt tells about wiring, excitation and gain, never about the mechanics: it does not replace dead weights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.calibration.betweenzeros import net_counts, net_u_counts
from anviltrace.calibration.choose import why_other_settings
from anviltrace.calibration.coverage import coverage_factor
from anviltrace.errors import CalibrationError
from anviltrace.records import ScaleKind, Settings, Shunt, ShuntReading

MOVED = 0.002
"""Change of a shunt reading that is flagged, as a share of it. Our choice: twice what 10 K make of a usual
metal-film resistor (100 ppm/K), and no less than the best dead-weight calibration is sure of."""
CANNOT_TELL = (
    "A shunt tells about wiring, excitation and gain, and nothing about shaft, gauges' bond, arm or weights: "
    "it does not replace dead weights.",
    "The computed value is that of four equal arms: trim resistors in a load cell, long leads between "
    "resistor and bridge, and leads of a bridge on four wires make it another one. The change since earlier "
    "readings holds all the same.",
    "Errors of the converter's stated scale are part of the difference, and not in its uncertainty.",
)
NO_RATIO = (
    "Only counts: the converter does not divide by the excitation, and that was not measured, so nobody "
    "knows what a count is in mV/V."
)


@dataclass(frozen=True, slots=True)
class Output:
    """Output of a bridge in mV/V with its standard uncertainty."""

    mv_per_v: float
    u_mv_per_v: float

    @property
    def expanded(self) -> float:
        """Half width of its 95 % interval in mV/V."""
        return coverage_factor(math.inf) * self.u_mv_per_v


@dataclass(frozen=True, slots=True)
class Shunted:
    """A shunt reading with everything its result is computed from."""

    reading: ShuntReading
    rig_id: str
    settings: Settings
    shunt: Shunt

    @property
    def net_counts(self) -> float:
        """Counts that the resistor made, with their sign."""
        one = self.reading
        return net_counts(one.before_counts, one.shunt_counts, one.after_counts)

    @property
    def net_u_counts(self) -> float:
        """Standard uncertainty of :attr:`net_counts`."""
        one = self.reading
        return net_u_counts(one.before_counts, one.after_counts, one.sd_counts, one.samples)

    def why_another_kind(self, other: Shunted) -> str:
        """Why ``other`` cannot be compared with this one; empty when it can."""
        if self.rig_id != other.rig_id:
            return "another rig"
        if self.shunt.id != other.shunt.id:
            return "another shunt"
        return why_other_settings(self.settings, other.settings)


@dataclass(frozen=True, slots=True)
class ShuntResult:
    """What a shunt reading comes to; sizes without sign, but for ``net_counts``.

    ``read`` and ``difference`` (read less computed) are None where a count is not known in mV/V.
    """

    net_counts: float
    net_u_counts: float
    zero_moved_counts: float
    computed: Output
    read: Output | None
    difference: Output | None
    cannot_tell: tuple[str, ...]

    @property
    def agrees(self) -> bool | None:
        """Whether the difference lies within its expanded uncertainty; None where there is none."""
        return None if self.difference is None else abs(self.difference.mv_per_v) <= self.difference.expanded


@dataclass(frozen=True, slots=True)
class Moved:
    """A shunt reading beside an earlier one of its kind, as shares of that: ``expanded`` is for 95 %."""

    since_id: str
    since: str
    share: float
    expanded: float
    turned: bool = False

    @property
    def limit(self) -> float:
        """What may be: our limit, or what the scatter of the two readings leaves open where that is more."""
        return max(MOVED, self.expanded)

    @property
    def beyond(self) -> bool:
        """Whether it moved further than that, or the other way."""
        return self.turned or abs(self.share) > self.limit


def bridge_output(resistor_ohm: float, bridge_ohm: float) -> float:
    """Output in mV/V of a bridge of four arms of ``bridge_ohm`` with the resistor across one of them."""
    return 1000.0 * bridge_ohm / (4.0 * resistor_ohm + 2.0 * bridge_ohm)


def resistor_for(mv_per_v: float, bridge_ohm: float) -> float:
    """The resistor in ohms that makes a bridge show ``mv_per_v`` (above 0, below 500: a short circuit)."""
    if not 0.0 < mv_per_v < 500.0:
        raise ValueError(f"{mv_per_v} mV/V: a shunt makes more than 0 and less than 500 mV/V")
    return bridge_ohm * (250.0 / mv_per_v - 0.5)


def computed_output(shunt: Shunt) -> Output:
    """What the bridge should show under the shunt, and how well that is known."""
    output = bridge_output(shunt.resistor_ohm, shunt.bridge_ohm)
    relative = math.hypot(shunt.resistor_u_ohm / shunt.resistor_ohm, shunt.bridge_u_ohm / shunt.bridge_ohm)
    return Output(output, output * (1.0 - 0.002 * output) * relative)


def full_scale_mv_per_v(settings: Settings) -> float | None:
    """The output at which the converter saturates, or None where not even a nominal excitation is known."""
    if settings.scale_kind is ScaleKind.RATIO:
        scale = settings.full_scale
    elif settings.excitation_v:
        scale = 1000.0 * settings.full_scale / settings.excitation_v
    else:
        return None
    codes = min(abs(settings.saturation_low), abs(settings.saturation_high))
    return scale * codes / settings.full_scale_code


def refuse_beyond(shunt: Shunt, settings: Settings) -> None:
    """Raises CalibrationError when the converter cannot show what the shunt makes of the bridge."""
    output, limit = bridge_output(shunt.resistor_ohm, shunt.bridge_ohm), full_scale_mv_per_v(settings)
    if limit is not None and output >= limit:
        least_ohm = resistor_for(limit, shunt.bridge_ohm) if limit < 500.0 else 0.0
        raise CalibrationError(
            f"the shunt {shunt.name} makes {output:.4g} mV/V, beyond the {limit:.4g} mV/V that the converter "
            f"can show at gain {settings.gain}: take a lower gain, or well over {least_ohm:.0f} Ω"
        )


def work_out(one: Shunted) -> ShuntResult:
    """What a reading comes to, beside what it should."""
    computed, net, u = computed_output(one.shunt), one.net_counts, one.net_u_counts
    moved = one.reading.after_counts - one.reading.before_counts
    ratio = one.settings.mv_per_v_per_count
    if ratio is None:
        return ShuntResult(net, u, moved, computed, None, None, (NO_RATIO, *CANNOT_TELL[:2]))
    read = Output(ratio * abs(net), ratio * u)
    difference = Output(read.mv_per_v - computed.mv_per_v, math.hypot(read.u_mv_per_v, computed.u_mv_per_v))
    return ShuntResult(net, u, moved, computed, read, difference, CANNOT_TELL)


def moved_since(earlier: Shunted, later: Shunted) -> Moved:
    """How far a reading moved since an earlier one of its kind; the resistor is the same in both.

    Raises CalibrationError when the earlier one shows nothing.
    """
    then, now = earlier.net_counts, later.net_counts
    if then == 0.0:
        raise CalibrationError(
            f"the shunt reading {earlier.reading.id[:8]} shows nothing: was {earlier.shunt.name} laid on?"
        )
    u = math.hypot(earlier.net_u_counts * now / then, later.net_u_counts) / abs(then)
    return Moved(
        since_id=earlier.reading.id,
        since=earlier.reading.taken_at,
        share=abs(now / then) - 1.0,
        expanded=coverage_factor(math.inf) * u,
        turned=now * then < 0.0,
    )


def worst_move(earlier: Shunted, later: Sequence[Shunted]) -> Moved | None:
    """The largest of the moves since ``earlier`` that go beyond what may be; None where none does."""
    moves = [moved_since(earlier, one) for one in later]
    beyond = [move for move in moves if move.beyond]
    return max(beyond, key=lambda move: (move.turned, abs(move.share) / move.limit), default=None)
