"""Runs and their metrics as CSV, for spreadsheets and programs.

Numbers are written in full, in SI units or the unit of torque asked for; infinite degrees of freedom stay
empty, since spreadsheets know no infinity. A text that a spreadsheet would
take for a formula gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from io import StringIO
from typing import Any

from anviltrace.metrics.catalogue import label
from anviltrace.metrics.results import RunResult, Value
from anviltrace.publish.material import Material
from anviltrace.publish.words import Shower

RUN_COLUMNS = (
    "run",
    "started (UTC)",
    "rig",
    "kind of rig",
    "tool",
    "supply",
    "supply state",
    "plan",
    "duty",
    "rotation",
    "thread",
    "start",
    "drive, s",
    "fitting",
    "repeat",
    "state",
    "decision",
    "reason",
    "samples",
    "rate, 1/s",
    "samples missing",
    "time zero",
    "time zero, s after the first sample",
    "blows",
    "calibrations",
    "why uncalibrated",
    "filter",
    "software version",
    "quality",
    "flags",
)
METRIC_COLUMNS = (
    "run",
    "tool",
    "supply",
    "supply state",
    "plan",
    "repeat",
    "metric",
    "label",
    "mark, s",
    "mark, N·m",
    "value",
    "unit",
    "expanded uncertainty (95 %)",
    "degrees of freedom",
    "standard uncertainty common to all runs",
    "true value may be higher by",
    "true value may be lower by",
    "known only to be more than",
    "withheld because",
    "flags",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def runs_csv(material: Material) -> str:
    """One row per measurement run, also of those that were left out of the comparison."""
    return _csv(RUN_COLUMNS, (_run_row(result) for result in material.results))


def metrics_csv(results: Iterable[RunResult], shower: Shower) -> str:
    """One row per metric of each run that was evaluated."""
    rows = (_metric_row(result, value, shower) for result in results for value in result.values)
    return _csv(METRIC_COLUMNS, rows)


def safe_text(text: str) -> str:
    """A text as no spreadsheet takes it for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    file = StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return file.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return safe_text(value) if isinstance(value, str) else value


def _run_row(result: RunResult) -> list[Any]:
    context = result.context
    run, plan, decision = context.run, context.plan, context.decision
    planned = (
        (None,) * 5 if plan is None else (plan.duty, plan.rotation, plan.thread, plan.start, plan.drive_s)
    )
    return [
        run.id,
        run.started_at,
        context.rig.name,
        context.rig.kind.value,
        context.tool and context.tool.name,
        context.supply and context.supply.name,
        run.supply_state,
        plan and plan.name,
        *(str(part) for part in planned[:4]),
        planned[4],
        context.fitting_name,
        run.repeat,
        run.state.value,
        decision and decision.verdict,
        decision and decision.reason,
        run.samples,
        run.rate_hz or context.settings.rate_hz,
        sum(gap.count for gap in context.gaps),
        result.time_zero,
        result.time_zero_s,
        None if result.blows is None else len(result.blows),
        " ".join(result.calibration_ids),
        result.uncalibrated,
        result.filter,
        result.software_version,
        result.quality.text,
        "; ".join(result.flags),
    ]


def _metric_row(result: RunResult, found: Value, shower: Shower) -> list[Any]:
    context = result.context
    known = found.value is not None

    def shown(value: float | None) -> float | None:
        return None if value is None or not known else shower.number(found.name, value)

    return [
        context.run.id,
        context.tool and context.tool.name,
        context.supply and context.supply.name,
        context.run.supply_state,
        context.plan and context.plan.name,
        context.run.repeat,
        found.name,
        label(found.name),
        found.at_s,
        found.at_nm,
        shown(found.value),
        shower.unit_of(found.name) or "1",
        shown(found.expanded),
        found.dof if known and math.isfinite(found.dof) else None,
        shown(found.common),
        shown(found.under_read),
        shown(found.over_read),
        None if found.beyond is None else shower.number(found.name, found.beyond),
        found.withheld,
        "; ".join(found.flags),
    ]
