"""What a calibration says about its arms, in words: the empty arm's moment, and how a second arm compares."""

from __future__ import annotations

from anviltrace.calibration.emptyarm import MAY_MEAN, EmptyArm, Moment
from anviltrace.calibration.secondarm import ArmsAtLoad, SecondArm
from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.records import Arm
from anviltrace.units import TorqueUnit

_ACCOUNTED = "lengths, angles, weights that hung on one only, the new mounting and scatter"


def tell_empty_arm(empty: EmptyArm, unit: TorqueUnit) -> str:
    """Its moment as far as it is known, ± half of a 95 % interval, clockwise positive."""
    if empty.computed is None:
        told = "part of the zero, not computed: mass and centre of gravity are not stated"
        return (
            told
            if empty.read is None
            else f"{told}; putting it on changed the zero by "
            + (f"{_moment(empty.read, unit)}{_not_held(empty)}")
        )
    told = f"computed: {_moment(empty.computed, unit)}, part of the zero"
    if empty.read is None or empty.difference is None:
        return f"{told}; the bare rig was not read before, so nothing is there to compare it with"
    return (
        f"{told}; by the zeros without and with it reads {unit.from_nm(empty.read.nm):.2f}, computed "
        f"{unit.from_nm(empty.computed.nm):.2f}, differ by {_moment(empty.difference, unit)}"
        f"{_not_held(empty)}: {_empty_verdict(empty)}"
    )


def _empty_verdict(empty: EmptyArm) -> str:
    if empty.agrees:
        return "agrees"
    if empty.not_held:
        return f"DOES NOT AGREE: what is not known may be why, or {MAY_MEAN}"
    return f"DOES NOT AGREE: {MAY_MEAN}"


def _not_held(empty: EmptyArm) -> str:
    return f" (without {' and '.join(empty.not_held)}: not known)" if empty.not_held else ""


def _moment(moment: Moment, unit: TorqueUnit) -> str:
    return f"{value_with_uncertainty(unit.from_nm(moment.nm), unit.from_nm(moment.expanded_nm))} {unit.value}"


def tell_second_arm(second: SecondArm) -> list[str]:
    """What the comparison comes to, and what was not compared."""
    left_out = [f"Not compared: {why}." for why in second.left_out]
    if second.overall is None:
        return ["The second arm says nothing: none of its torques is near one of the first arm's.", *left_out]
    return [_verdict(second, second.overall), *_mounting(second), *left_out]


def _verdict(second: SecondArm, overall: ArmsAtLoad) -> str:
    found = value_with_uncertainty(overall.difference_percent, overall.expanded_percent)
    told = f"Over its loads {second.second.name} reads {found} % (95 %) off {second.first.name}"
    if not overall.told_apart:
        return f"{told}: no more than {_ACCOUNTED} account for, so a pull to the side is not told from them."
    side = second.side_percent(overall)
    against = (
        "the arms are too alike to say by how much a load that only turns would read otherwise"
        if side is None
        else f"against a load that only turns the readings of {second.first.name} may be off by "
        f"{rounded(side, 2)} %, which is in the budget"
    )
    return f"{told}: more than {_ACCOUNTED} account for. The weights' pull to the side shows; {against}."


def _mounting(second: SecondArm) -> list[str]:
    if second.mounting_known:
        return []
    return ["What a new mounting changes is not in these intervals: the course had one."]


def stated_length(arm: Arm) -> str:
    """Its length, ± 2 u, with the degrees of freedom where they are stated."""
    dof = "" if arm.dof is None else f", {arm.dof:g} degrees of freedom"
    return f"{value_with_uncertainty(1e3 * arm.length_m, 2e3 * arm.u_m)} mm (± 2 u, {arm.spread.value}{dof})"
