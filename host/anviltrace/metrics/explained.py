"""The tables of metrics and flags as a page in Markdown: METRICS.md beside this file, and the command."""

from __future__ import annotations

from collections.abc import Iterator

from anviltrace.metrics.catalogue import CATALOGUE, Group, Metric
from anviltrace.metrics.flagtable import FLAGS, Weight

_TOP = """\
# Metrics and flags

Made by `anviltrace metrics --explain --markdown`; reports and tables take the same words.

No standard that we know of defines a torque test of impact wrenches: the definitions are the program's own,
and say where they follow common practice. After ± stands the half width of the 95 % interval (GUM); one-sided
bounds lie outside it. Where something cut off what a value is made of, only "more than" is stated. A metric
that cannot be known is withheld with the reason in words.
"""
_FLAGS_TOP = """\
## Flags, and the quality of a run

One flag that makes a run unusable decides; else one that asks for care, or a metric that should lead and is
withheld; else the run is good. What concerns peaks, widths and rises alone is told behind the grade and does
not change it.
"""


def markdown() -> str:
    """The whole page."""
    return "\n".join(_lines())


def _lines() -> Iterator[str]:
    yield _TOP
    for group in Group:
        entries = [entry for entry in CATALOGUE.values() if entry.group is group]
        if entries:
            yield f"## {group.value[0].upper()}{group.value[1:]}\n"
        for entry in entries:
            yield from _of_metric(entry)
    yield _FLAGS_TOP
    for weight in reversed(Weight):
        yield f"### {weight.value[0].upper()}{weight.value[1:]}\n"
        for flag in FLAGS.values():
            if flag.weight is weight:
                yield f"- **{flag.name}** ({flag.source}): {flag.raised} {flag.means}"
        yield ""


def _of_metric(entry: Metric) -> Iterator[str]:
    unit = "a plain number" if entry.unit == "1" else entry.unit
    yield f"### {entry.label} (`{entry.name}`), {unit}\n"
    yield f"{entry.definition}\n"
    yield from (f"- {heading}: {text}" for heading, text in facts_of(entry))
    yield ""


def facts_of(entry: Metric) -> list[tuple[str, str]]:
    """What there is to say of a metric beside its definition."""
    found = [
        ("computed", entry.computed),
        ("uncertainty", entry.uncertainty),
        ("needs", "; ".join(entry.needs) or "nothing more than a record"),
        ("kinds of rig", ", ".join(entry.rigs)),
        ("definition", entry.source.value),
    ]
    if entry.climbing:
        found.insert(4, ("only", "while the tool turns the way that tightens"))
    return found
