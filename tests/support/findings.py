"""Results of runs made by hand, for tests of what is done with them."""

from __future__ import annotations

from dataclasses import replace

from workshop import fixed_id, workshop

from anviltrace.metrics.results import RunContext, RunResult, Value
from anviltrace.records import Claim, Decision, Duty, Plan, RigKind, RunState, Supply, Tool


def context(
    number: int,
    *,
    state: RunState = RunState.FINISHED,
    verdict: str | None = "keep",
    rig_kind: RigKind = RigKind.HELD,
    tool: Tool | None = None,
    supply: Supply | None = None,
    plan: Plan | None = None,
    fitting_name: str = "socket 36 mm",
    **changes: object,
) -> RunContext:
    """A run of the workshop, as far as it matters what it belongs to."""
    shop = workshop()
    tool, supply, plan = tool or shop.tool, supply or shop.supply, plan or shop.plan
    at = f"2026-05-04T08:{number % 60:02d}:00.000Z"
    belongs = {"tool_id": tool.id, "supply_id": supply.id, "plan_id": plan.id}
    run = shop.run(1000 + number, state=state, started_at=at, **(belongs | changes))
    decision = None if verdict is None else Decision(fixed_id(5000 + number), run.id, verdict, "", at)
    return RunContext(
        run=run,
        session=shop.session,
        rig=replace(shop.rig, kind=rig_kind),
        settings=shop.settings,
        plan=plan,
        tool=tool,
        supply=supply,
        fitting_name=fitting_name,
        decision=decision,
    )


def result(number: int, *values: Value, **changes: object) -> RunResult:
    """A run with these values; ``changes`` go to :func:`context`."""
    return RunResult(context(number, **changes), values, software_version="0.1.0")  # type: ignore[arg-type]


def torque(value: float | None, name: str = "retained_final", **more: object) -> Value:
    """A torque in N·m, known to ±2 N·m of which 0.5 N·m (standard) are common; or withheld."""
    if value is None:
        return Value(name, None, withheld="no zero reading near the run", **more)  # type: ignore[arg-type]
    given = {"expanded": 2.0, "dof": 50.0, "common": 0.5} | more
    return Value(name, value, **given)  # type: ignore[arg-type]


def loosening() -> Plan:
    """The workshop's plan, the other way round."""
    return replace(workshop().plan, id=fixed_id(71), name="fishplate loosening", duty=Duty.LOOSENING)


def claim(quantity: str = "maximum torque", value: float = 400.0, **changes: object) -> Claim:
    """A claim about the workshop's tool."""
    unit = "1/s" if quantity == "blow rate" else "N·m"
    made = Claim(fixed_id(900), workshop().tool.id, quantity, value, unit, source="box")
    return replace(made, **changes)  # type: ignore[arg-type]
