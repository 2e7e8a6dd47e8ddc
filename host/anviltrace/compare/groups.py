"""Runs sorted by condition, with those left out counted and named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from anviltrace.metrics.results import RunResult
from anviltrace.records import Plan, Rig, RunKind, RunState, Tool

_SEPARATOR = " · "


@dataclass(frozen=True, slots=True)
class Condition:
    """What a group of runs has in common. ``label`` tells it apart from the other groups in one line."""

    tool: Tool | None
    supply_name: str
    supply_state: str
    plan: Plan | None
    fitting_name: str
    rig: Rig
    label: str

    @property
    def tool_name(self) -> str:
        """The tool in words, also where none was named."""
        return "tool not named" if self.tool is None else self.tool.name

    @property
    def supply_text(self) -> str:
        """Supply and its state in words: "fresh pack", "pack A (40 % left)"."""
        name = self.supply_name or "supply not named"
        state = self.supply_state
        return f"{name} ({state})" if state and state not in name.split() else name

    @property
    def plan_name(self) -> str:
        """The plan in words, also where none was named."""
        return "plan not named" if self.plan is None else self.plan.name

    @property
    def short_label(self) -> str:
        """Tool and supply, for where the plan is said already."""
        return _SEPARATOR.join((self.tool_name, self.supply_text))


@dataclass(frozen=True, slots=True)
class Group:
    """The measurement runs of one condition, in order of time.

    ``kept`` are finished and not discarded; only they are compared. ``discarded`` were discarded by a
    person, ``interrupted`` did not come to their planned end.
    """

    condition: Condition
    kept: tuple[RunResult, ...]
    discarded: tuple[RunResult, ...] = ()
    interrupted: tuple[RunResult, ...] = ()

    @property
    def label(self) -> str:
        """The condition in one line."""
        return self.condition.label

    @property
    def left_out(self) -> str:
        """How many runs of the condition are not compared, and why; empty where all are."""
        parts = [
            f"{len(runs)} {word}"
            for word, runs in (("discarded", self.discarded), ("interrupted", self.interrupted))
            if runs
        ]
        return ", ".join(parts)


def group_runs(results: Iterable[RunResult]) -> list[Group]:
    """Measurement runs by tool, supply and its state, plan, fitting and rig.

    Groups come in the order in which their first run was recorded, runs in order of time.
    """
    wanted = [result for result in results if result.context.run.kind is RunKind.MEASUREMENT]
    wanted.sort(key=lambda result: result.context.run.started_at)
    by_condition: dict[tuple[str, ...], list[RunResult]] = {}
    for result in wanted:
        by_condition.setdefault(_key(result), []).append(result)
    return _told_apart([_group(members) for members in by_condition.values()])


def _key(result: RunResult) -> tuple[str, ...]:
    run = result.context.run
    parts = (run.tool_id, run.supply_id, run.supply_state, run.plan_id, run.fitting_id)
    return (*(part or "" for part in parts), result.context.rig.id)


def _group(members: Sequence[RunResult]) -> Group:
    return Group(
        _condition(members[0]),
        kept=tuple(member for member in members if member.context.kept),
        discarded=tuple(member for member in members if _is_discarded(member)),
        interrupted=tuple(
            member for member in members if not member.context.kept and not _is_discarded(member)
        ),
    )


def _is_discarded(result: RunResult) -> bool:
    decision = result.context.decision
    return decision is not None and decision.verdict != "keep" and _is_finished(result)


def _is_finished(result: RunResult) -> bool:
    return result.context.run.state is RunState.FINISHED


def _condition(result: RunResult) -> Condition:
    context = result.context
    condition = Condition(
        tool=context.tool,
        supply_name="" if context.supply is None else context.supply.name,
        supply_state=context.run.supply_state,
        plan=context.plan,
        fitting_name=context.fitting_name,
        rig=context.rig,
        label="",
    )
    return replace(condition, label=_SEPARATOR.join((condition.short_label, condition.plan_name)))


_MORE: tuple[Callable[[Condition], str], ...] = (
    lambda condition: condition.fitting_name or "no fitting",
    lambda condition: condition.rig.name,
)
"""What a label gets where two would read alike; a number comes last."""


def _told_apart(groups: list[Group]) -> list[Group]:
    """The same groups with labels that differ from one another."""
    for more in _MORE:
        seen = Counter(group.label for group in groups)
        groups = [
            group if seen[group.label] == 1 else _labelled(group, f"{group.label}, {more(group.condition)}")
            for group in groups
        ]
    seen = Counter(group.label for group in groups)
    numbers: Counter[str] = Counter()
    told: list[Group] = []
    for group in groups:
        numbers[group.label] += 1
        number = numbers[group.label]
        told.append(group if seen[group.label] == 1 else _labelled(group, f"{group.label} ({number})"))
    return told


def _labelled(group: Group, label: str) -> Group:
    return replace(group, condition=replace(group.condition, label=label))
