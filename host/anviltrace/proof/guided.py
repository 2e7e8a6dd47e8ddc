"""What a few simple acts say of a rig: a push, a shunt, some taps. Pure: readings in, lines out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.calibration.shunt import ShuntResult
from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.proof.limits import CheckLimits
from anviltrace.proof.lines import CheckLine, Verdict, judged
from anviltrace.proof.sizes import Sizes
from anviltrace.trace.ringdown import LEAST_PER_SWING, RungTaps

_SWINGS_IN_BLOW = 1.5
_CLEAR = 10.0
"""A push that moves the reading by fewer standard deviations of the noise was none."""
_NOMINAL_WIDER = 10.0
"""USB gives 4.75 to 5.25 V: a nominal excitation is so many times worse than a ratio."""


@dataclass(frozen=True, slots=True)
class Push:
    """The level before and while the socket end was pushed clockwise, and the noise, in counts."""

    rest_counts: float
    pushed_counts: float
    noise_counts: float


def judge_polarity(push: Push, sizes: Sizes) -> CheckLine:
    """Whether clockwise torque is positive."""
    moved = push.pushed_counts - push.rest_counts
    data = sizes.data("moved", moved)
    if abs(moved) < max(_CLEAR * push.noise_counts, 1.0):
        return CheckLine(
            "polarity",
            Verdict.FAIL,
            f"pushed, it moved by {sizes.words(moved)}: that is nothing",
            "up",
            "was it pushed, and held? Else the bridge's wires, or gauges that have come loose",
            data,
        )
    right = moved > 0.0
    return CheckLine(
        "polarity",
        judged(fails=not right, looks=False),
        f"clockwise goes {'up' if right else 'DOWN'}, by {sizes.best(moved)}{sizes.torque(moved)}",
        "up",
        "" if right else "exchange S+ and S− at the converter (pushed counter-clockwise? then check again)",
        data,
    )


def judge_shunt(result: ShuntResult, name: str, sizes: Sizes, limits: CheckLimits) -> CheckLine:
    """The shunt as it reads beside what it should."""
    if sizes.uv_per_v is None:
        words = f"{sizes.words(abs(result.net_counts))}; computed {result.computed.mv_per_v:.5f} mV/V"
        return CheckLine("shunt", Verdict.LOOK, words, "", "the excitation is not known: measure it", {})
    read, u = sizes.uv_per_v * abs(result.net_counts) / 1e3, sizes.uv_per_v * result.net_u_counts / 1e3
    computed = result.computed
    off = read / computed.mv_per_v - 1.0
    expanded = 2.0 * math.hypot(u, computed.u_mv_per_v) / computed.mv_per_v
    wider = _NOMINAL_WIDER if result.read is None else 1.0
    looks, fails = wider * limits.shunt_look_share, wider * limits.shunt_fail_share
    verdict = judged(fails=abs(off) > max(expanded, fails), looks=abs(off) > max(expanded, looks))
    by = "" if result.read is not None else f", by {sizes.uv_from}"
    return CheckLine(
        "shunt",
        verdict,
        f"{read:.5f} mV/V, computed {computed.mv_per_v:.5f}: {100.0 * off:+.2f} ± "
        f"{100.0 * expanded:.2f} %{by}",
        f"±{100.0 * looks:g} %, fails at ±{100.0 * fails:g} %",
        "" if verdict is Verdict.PASS else "resistor and bridge as stated? Gain, excitation, leads, joints",
        {
            "read_mv_per_v": read,
            "computed_mv_per_v": computed.mv_per_v,
            "off_share": off,
            "expanded_share": expanded,
            "shunt": name,
        },
    )


def judge_ring(
    rung: RungTaps | str, doubts: Sequence[str], rate_hz: float, limits: CheckLimits
) -> list[CheckLine]:
    """Natural frequency and damping by taps at a rate: two lines, or one that says why there are none."""
    if isinstance(rung, str):
        most = f"{rate_hz:g} S/s show no ring above {rate_hz / LEAST_PER_SWING:.0f} Hz"
        return [
            CheckLine("ring", Verdict.LOOK, "no ring-down", "", f"{rung}; {most}; `board tap` does it anew")
        ]
    slow = rung.natural_hz < limits.ring_look_hz
    shortest_ms = 1e3 * _SWINGS_IN_BLOW / rung.natural_hz
    advice = f"a stiffer, lighter rig shows shorter blows: peaks below {shortest_ms:.2g} ms are withheld"
    doubtful = "; ".join(doubts)
    hz = value_with_uncertainty(rung.natural_hz, 2.0 * rung.natural_u_hz)
    ratio = value_with_uncertainty(100.0 * rung.damping_ratio, 200.0 * rung.damping_u)
    return [
        CheckLine(
            "ring",
            judged(fails=False, looks=slow or bool(doubts)),
            f"{hz} Hz by {len(rung.taps)} taps: peaks of blows from {shortest_ms:.2g} ms",
            f"from {limits.ring_look_hz:g} Hz",
            advice if slow else doubtful,
            {"natural_hz": rung.natural_hz, "natural_u_hz": rung.natural_u_hz, "taps": len(rung.taps)},
        ),
        CheckLine(
            "damping",
            judged(fails=False, looks=bool(doubts)),
            f"{ratio} % of critical; by decrement {100.0 * rung.decrement_ratio:.3g} %",
            "both ways within 20 %",
            doubtful,
            {
                "damping_ratio": rung.damping_ratio,
                "damping_u": rung.damping_u,
                "decrement_ratio": rung.decrement_ratio,
            },
        ),
    ]
