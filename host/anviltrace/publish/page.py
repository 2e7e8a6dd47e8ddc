"""The report as one HTML file that works offline and asks for nothing outside itself."""

from __future__ import annotations

from importlib import resources
from typing import Any

from markupsafe import Markup

from anviltrace.compare.doubted import doubted
from anviltrace.metrics.figures import bound
from anviltrace.publish import ink, plot
from anviltrace.publish.calibrations import calibration_parts
from anviltrace.publish.material import Material
from anviltrace.publish.recalibration import recalibration_part
from anviltrace.publish.runparts import run_parts
from anviltrace.publish.sections import (
    best_note,
    blocks,
    claim_blocks,
    definitions,
    label_in_section,
    sections,
)
from anviltrace.publish.sheet import fill
from anviltrace.publish.words import plural
from anviltrace.records import Rig, RigKind, Tool, readable_time

CAUTIONS = (
    "These figures hold for this rig, these tools and these conditions. They are not settings for a joint: "
    "tighten to the value its designer gives, with a tool made for it.",
    "Whoever repeats the tests: guard round the socket, impact-rated sockets, eye and ear protection, nobody "
    "under a weight or in line with the arm, the pack out before hands go near. Makers' instructions and "
    "local rules come first.",
)

_KINDS = {
    RigKind.FIXED: "fixed: the tool strikes an anvil, nothing is retained between blows",
    RigKind.THROUGH: "through: the transducer sees what the tool applies, not what the joint keeps",
    RigKind.HELD: "held: the transducer lies in the locked path and sees what the stud keeps",
}


def render(material: Material) -> str:
    """The whole page. Everything that came from a person or a board is escaped."""
    charts = plot.charts(material)
    scripts = [plot.script(), _own_script()] if charts else []
    return fill("report.html", scripts, page=_page(material, charts), cautions=CAUTIONS, dash=ink.dash)


def _own_script() -> str:
    return (resources.files(__package__) / "templates" / "report.js").read_text(encoding="utf-8")


def _page(material: Material, charts: list[dict[str, Any]]) -> dict[str, Any]:
    compared = material.compared
    return {
        "title": material.title,
        "lead": _lead(material),
        "facts": _facts(material),
        "sections": sections(material),
        "best_note": best_note(material),
        "left_out": [f"{group.label}: {group.left_out}" for group in material.groups if not group.kept],
        "claims": claim_blocks(material),
        "charts": charts,
        "chart_data": Markup(plot.as_data_block(charts)),
        "time_zero": ", ".join(_distinct(result.time_zero for *_, result, _ in material.drawn())) or "none",
        "truth_of_charts": _truth_of_charts(charts),
        "conditions": [
            {"label": label_in_section(group), "runs": plural(len(group.kept), "run")}
            for number, group in enumerate(compared)
        ],
        "blocks": blocks(material),
        "runs": run_parts(material),
        "calibrations": calibration_parts(material),
        "doubts": doubted(compared),
        "recalibrated": recalibration_part(material.recalibrated, material.unit),
        "uncalibrated": _distinct(result.uncalibrated for result in material.results),
        "unit": material.unit.value,
        "definitions": definitions(material),
        "provenance": _provenance(material),
    }


def _distinct(texts: Any) -> list[str]:
    """The texts that are not empty, each once, in order."""
    return [text for text in dict.fromkeys(texts) if text]


def _lead(material: Material) -> str:
    kept = sum(len(group.kept) for group in material.groups)
    tools = _distinct(group.condition.tool_name for group in material.compared)
    return f"{plural(kept, 'run')} of {', '.join(tools)} under {plural(len(material.compared), 'condition')}."


def _facts(material: Material) -> list[tuple[str, str]]:
    results = [result for group in material.groups for result in (*group.kept, *group.discarded)]
    rigs = {result.context.rig.id: result.context.rig for result in results}
    tools = {tool.id: tool for result in results if (tool := result.context.tool)}
    times = sorted(result.context.run.started_at for result in results)
    operators = _distinct(result.context.session.operator for result in results)
    facts = [("rig", _rig(rig)) for rig in rigs.values()]
    facts += [("tool", _tool(tool)) for tool in tools.values()]
    if times:
        facts.append(("recorded", f"{readable_time(times[0])} to {readable_time(times[-1])} UTC"))
    if operators:
        facts.append(("operator", ", ".join(operators)))
    return facts


def _rig(rig: Rig) -> str:
    return "; ".join(text for text in (rig.name, _KINDS[rig.kind], rig.note) if text)


def _tool(tool: Tool) -> str:
    parts = (
        tool.name,
        " ".join(text for text in (tool.maker, tool.model) if text),
        tool.serial and f"serial {tool.serial}",
        tool.drive,
        "" if tool.mass_kg is None else f"{tool.mass_kg:g} kg",
        "" if tool.length_mm is None else f"{tool.length_mm:g} mm long",
        "" if tool.price is None else f"{tool.price:.2f} {tool.currency}".strip(),
        tool.note,
    )
    return ", ".join(part for part in parts if part)


def _truth_of_charts(charts: list[dict[str, Any]]) -> str:
    """How faithful the charts are."""
    if not charts:
        return ""
    exact = " and ".join(
        _half_step(charts, unit) for unit in dict.fromkeys(chart["unit"] for chart in charts)
    )
    factor = charts[0]["condensed"]
    if factor == 1:
        return f"Every sample is in this file, to within {exact}; every peak is drawn at any zoom."
    return (
        f"To keep the file small, each {factor} samples are in it as their least and greatest, to within "
        f"{exact}: every peak is drawn, in its place to that many samples."
    )


def _half_step(charts: list[dict[str, Any]], unit: str) -> str:
    """By how much a sample of a chart in this unit may be off at most."""
    steps = [entry["step"] for chart in charts if chart["unit"] == unit for entry in chart["curves"]]
    return f"{bound(max(steps) / 2.0)} {unit}"


def _provenance(material: Material) -> list[str]:
    versions = _distinct(result.software_version for result in material.results)
    filters = _distinct(result.filter for result in material.results)
    return [
        f"Computed by anviltrace {', '.join(versions) or 'of unknown version'} from the raw counts; "
        f"filter: {', '.join(filters) or 'none'}; torque in {material.unit.value}; clockwise torque, seen "
        "from behind the tool, is positive; curves and peaks are along the rotation of the tool.",
        "Expanded uncertainties are half widths of 95 % intervals. Bounds called one-sided lie outside them.",
    ]
