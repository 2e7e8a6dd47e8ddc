"""What is claimed of a tool beside what was measured, with a flag wherever the two are not alike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from anviltrace.compare.groups import Group
from anviltrace.compare.summary import Summary, summarise_metric
from anviltrace.records import Claim, Duty, RigKind

ALIKE = ""
LOOSENING = "the claim is about a joint that the tool undoes, the metric about torque in a run"
KEPT = "the claim says nothing of what the joint keeps, the metric is what it kept"
AVERAGED = "the claim is a maximum, the metric a mean over the drive"
TIGHTENING_PEAK = "the claim does not say whether it means the peak or what the joint keeps; this is the peak"
TIGHTENING_KEPT = (
    "the claim does not say whether it means the peak or what the joint keeps; this is what the joint kept"
)
STUD = "held rig: the torque is that in the stud; friction under the nut is not in it"
PEAK_OF_RIG = "a peak depends on the stiffness of the rig as well as on the tool"

_METRICS: dict[str, tuple[tuple[str, str], ...]] = {
    "maximum torque": (("maximum_torque", ALIKE), ("retained_final", KEPT), ("mean_torque", AVERAGED)),
    "tightening torque": (("maximum_torque", TIGHTENING_PEAK), ("retained_final", TIGHTENING_KEPT)),
    "loosening torque": (("maximum_torque", LOOSENING),),
    "blow rate": (("blow_rate", ALIKE),),
}
"""For each kind of claim the metrics it is set against, and how each differs from what is claimed."""

_DUTIES = {"tightening torque": (Duty.TIGHTENING, Duty.LOCKED), "loosening torque": (Duty.LOOSENING,)}
"""Duties that a kind of claim makes sense for; the others make sense for all."""

_KEPT = "retained_final"
_INSTEAD_OF_KEPT = "mean_torque"
"""What is set against a claim on a rig that does not see what a joint keeps."""


@dataclass(frozen=True, slots=True)
class ClaimCheck:
    """One claim against one metric of one group of runs.

    ``ratio`` is measured over claimed and ``ratio_expanded`` the half width of its 95 % interval (a claim
    counts as exact); both are None where the metric is withheld. ``flags`` name, in words, every way in
    which the two quantities differ in kind. No verdict is given.
    """

    claim: Claim
    group: Group
    measured: Summary
    flags: tuple[str, ...]

    @property
    def ratio(self) -> float | None:
        """Measured mean over claimed."""
        return None if self.measured.spread is None else self.measured.spread.mean / self.claim.value

    @property
    def ratio_expanded(self) -> float | None:
        """Half width of the 95 % interval of the ratio."""
        return None if self.measured.expanded is None else self.measured.expanded / self.claim.value


def known_quantities() -> tuple[str, ...]:
    """The kinds of claim there are metrics for."""
    return tuple(_METRICS)


def check_claims(claims: Iterable[Claim], groups: Sequence[Group]) -> list[ClaimCheck]:
    """Every claim against every metric and group it can be set against, claims in the order given.

    A claim is about its own tool; one for a duty is about runs of that duty. Groups without a kept run
    have nothing to set against a claim.
    """
    return [
        check
        for claim in claims
        for group in groups
        if group.kept and _is_about(claim, group)
        for check in _checks(claim, group)
    ]


def _is_about(claim: Claim, group: Group) -> bool:
    tool, plan = group.condition.tool, group.condition.plan
    if tool is None or plan is None or tool.id != claim.tool_id:
        return False
    if claim.duty and claim.duty != plan.duty:
        return False
    return plan.duty in _DUTIES.get(claim.quantity, tuple(Duty))


def _checks(claim: Claim, group: Group) -> list[ClaimCheck]:
    return [
        ClaimCheck(claim, group, summarise_metric(group, name), _flags(name, difference, group))
        for name, difference in _METRICS.get(claim.quantity, ())
        if _says_something(name, group)
    ]


def _says_something(name: str, group: Group) -> bool:
    plan, held = group.condition.plan, group.condition.rig.kind is RigKind.HELD
    if name == _KEPT:
        return held and plan is not None and plan.duty is Duty.TIGHTENING
    return name != _INSTEAD_OF_KEPT or not held


def _flags(name: str, difference: str, group: Group) -> tuple[str, ...]:
    held = group.condition.rig.kind is RigKind.HELD
    found = [difference]
    if name != "blow_rate":
        found.append(STUD if held else "")
    if name == "maximum_torque":
        found.append(PEAK_OF_RIG)
    return tuple(flag for flag in found if flag)
