"""A line of the check: what was looked at, the verdict, the value beside its limit, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class Verdict(StrEnum):
    """How a line came out. What was not done, or cannot be told, never passes."""

    PASS = "pass"
    LOOK = "look"
    FAIL = "fail"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One line. ``reading`` and ``limit`` are in words with units; ``advice`` says what to do, or why nothing
    is known, and is empty where all is well.

    ``data`` holds the same as numbers, units in the names; None where something cannot be known.
    """

    name: str
    verdict: Verdict
    reading: str
    limit: str = ""
    advice: str = ""
    data: dict[str, float | int | str | None] = field(default_factory=dict)


def not_done(name: str, reason: str, advice: str = "") -> CheckLine:
    """A line about which nothing is known, and why."""
    return CheckLine(name, Verdict.NOT_DONE, "", advice="; ".join(filter(None, (reason, advice))))


def came_to_nothing(name: str, reason: str) -> CheckLine:
    """A line about what was tried, and why nothing came of it."""
    return CheckLine(name, Verdict.LOOK, "came to nothing", advice=reason)


def judged(*, fails: bool, looks: bool) -> Verdict:
    """The worse of two judgements."""
    if fails:
        return Verdict.FAIL
    return Verdict.LOOK if looks else Verdict.PASS


def count_of(lines: Sequence[CheckLine], verdict: Verdict) -> int:
    """How many lines came out like that."""
    return sum(line.verdict is verdict for line in lines)
