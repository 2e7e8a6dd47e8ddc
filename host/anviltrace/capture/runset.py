"""A set: repeats of one plan under one condition, with a zero reading before and after each."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from anviltrace.archive.archive import Archive
from anviltrace.capture.recorder import BenchHand, Recorder
from anviltrace.records import Claim, Decision, Duty, Fitting, Plan, Run, Start, Supply, Tool, Zero, new_id


@dataclass(frozen=True, slots=True)
class Condition:
    """What is tested, and how; ``claims`` are what somebody states about the tool."""

    plan: Plan
    tool: Tool
    supply: Supply
    supply_state: str = ""
    fitting: Fitting | None = None
    claims: tuple[Claim, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a person says of a run: ``keep`` or not, and why. A discarded run keeps its raw data."""

    keep: bool
    reason: str = ""


Judge = Callable[[Run], Verdict]
Rest = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class RunSet:
    """What came of a set: its runs in order, and the zero readings around them.

    ``zeros`` has one more than ``runs``: run i lies between zeros i and i + 1.
    """

    set_id: str
    runs: tuple[Run, ...]
    zeros: tuple[Zero, ...]


def record_set(
    recorder: Recorder,
    archive: Archive,
    condition: Condition,
    hand: BenchHand,
    judge: Judge,
    rest: Rest = time.sleep,
) -> RunSet:
    """Record all repeats of the condition's plan; whatever one of them raises ends the set.

    Each run has a zero reading before and after it, with the tool seated and the joint slack; the one
    after a run is the one before the next. A preset joint is preset anew for each repeat.
    """
    plan = condition.plan
    store_condition(archive, condition)
    _slacken(hand, plan)
    hand.seat(condition.tool, condition.supply)
    set_id = new_id()
    runs, zeros = [], [recorder.zero(plan.zero_s)]
    for repeat in range(1, plan.repeats + 1):
        if repeat > 1:
            rest(plan.rest_s)
        if plan.start is Start.PRESET:
            hand.preset(plan)
        runs.append(_record_one(recorder, archive, condition, hand, judge, set_id, repeat))
        _slacken(hand, plan)
        zeros.append(recorder.zero(plan.zero_s))
    hand.unseat()
    return RunSet(set_id, tuple(runs), tuple(zeros))


def _slacken(hand: BenchHand, plan: Plan) -> None:
    """A locked plan strikes an anvil: there is no joint to make slack."""
    if plan.duty is not Duty.LOCKED:
        hand.slacken()


def _record_one(
    recorder: Recorder,
    archive: Archive,
    condition: Condition,
    hand: BenchHand,
    judge: Judge,
    set_id: str,
    repeat: int,
) -> Run:
    run = recorder.measure(
        condition.plan,
        hand,
        set_id=set_id,
        repeat=repeat,
        tool_id=condition.tool.id,
        supply_id=condition.supply.id,
        supply_state=condition.supply_state,
        fitting_id=None if condition.fitting is None else condition.fitting.id,
    )
    verdict = judge(run)
    archive.put(Decision(new_id(), run.id, "keep" if verdict.keep else "discard", verdict.reason))
    return run


def store_condition(archive: Archive, condition: Condition) -> None:
    """Put plan, tool and its claims, supply and fitting into the archive, so that runs can refer to them."""
    for thing in (condition.plan, condition.tool, *condition.claims, condition.supply, condition.fitting):
        if thing is not None:
            archive.put(thing)
