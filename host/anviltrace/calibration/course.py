"""Courses of a calibration: which readings there are in which series, and which of them are still missing.

*Short*: one mounting, one series up and down. *Full*: two series up in the first mounting, which show how
well the rig repeats itself; then up and down in every further mounting, the arm turned on by an equal part
of a turn each time, which shows how far a new mounting changes the reading. *Second arm*: one series up with
another arm, beside a full course; the weights pull harder to the side for the same torque, or less hard.
Every series begins and ends with a zero.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.records import LoadStep

SHORT = "short"
FULL = "full"
SECOND_ARM = "second arm"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a reading belongs: its branch, and the number of the load from 0, None where nothing hangs."""

    branch: str
    load: int | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """The readings of a series in their order. ``number`` and ``mounting`` count from 1."""

    number: int
    mounting: int
    opens_mounting: bool
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Outline:
    """What a calibration set out to do, as it is stored with it.

    ``loads`` are the ids of the weights of each load in rising order, ``angles_deg`` those of the arm under
    them (None: that of the bare arm). ``side_of`` is the id of the calibration that a second arm belongs to.
    """

    name: str
    loads: tuple[tuple[str, ...], ...]
    angles_deg: tuple[float | None, ...]
    mountings: int = 1
    side_of: str = ""

    @property
    def series(self) -> tuple[Series, ...]:
        """All series in their order."""
        return plan_series(self.name, len(self.loads), self.mountings)

    @property
    def text(self) -> str:
        """As JSON, for :func:`read_outline`."""
        return json.dumps({
            "course": self.name, "mountings": self.mountings, "loads": self.loads,
            "angles_deg": self.angles_deg, "side_of": self.side_of,
        })  # fmt: skip


def read_outline(text: str) -> Outline | None:
    """The outline from its JSON; None from an empty text, which says nothing of a course."""
    if not text:
        return None
    stored = json.loads(text)
    return Outline(
        name=stored["course"],
        loads=tuple(tuple(ids) for ids in stored["loads"]),
        angles_deg=tuple(stored["angles_deg"]),
        mountings=stored["mountings"],
        side_of=stored["side_of"],
    )


def plan_series(name: str, loads: int, mountings: int) -> tuple[Series, ...]:
    """The series of a course with so many loads.

    A full course in one mounting falls at the end of its second series, or nothing would show hysteresis.
    """
    rising, both = _places(loads, falling=False), _places(loads, falling=True)
    if name == SECOND_ARM:
        return (Series(1, 1, True, rising),)
    if name != FULL:
        return (Series(1, 1, True, both),)
    second = both if mountings == 1 else rising
    further = (Series(mounting + 1, mounting, True, both) for mounting in range(2, mountings + 1))
    return (Series(1, 1, True, rising), Series(2, 1, False, second), *further)


def _places(loads: int, falling: bool) -> tuple[Place, ...]:
    up = tuple(Place("up", load) for load in range(loads))
    down = tuple(Place("down", load) for load in reversed(range(loads - 1))) if falling else ()
    return (Place("zero"), *up, *down, Place("zero"))


def next_place(outline: Outline, series: Series, kept: Sequence[LoadStep]) -> int:
    """Index of the first place after the last reading kept in a series; the number of places when whole.

    A reading that somebody discarded afterwards leaves no hole: what follows it has been read.
    """
    here = [step for step in kept if step.series == series.number]
    if not here:
        return 0
    last = max(here, key=lambda step: step.number)
    if last.branch == "zero":
        return len(series.places) if any(step.branch != "zero" for step in here) else 1
    load = outline.loads.index(last.mass_ids)
    return series.places.index(Place(last.branch, load)) + 1


def open_series(outline: Outline, kept: Sequence[LoadStep]) -> tuple[Series, int] | None:
    """The first series that is not whole, with its next place; None when all are."""
    for series in outline.series:
        place = next_place(outline, series, kept)
        if place < len(series.places):
            return series, place
    return None


def why_unfinished(outline: Outline | None, kept: Sequence[LoadStep], calibration_id: str) -> str:
    """What is missing, in words with what to do; empty when the course is done, or none is known."""
    found = None if outline is None else open_series(outline, kept)
    if outline is None or found is None:
        return ""
    series, place = found
    whole = len(outline.series)
    return (
        f"unfinished: series {series.number} of {whole} (mounting {series.mounting} of {outline.mountings}) "
        f"lacks {len(series.places) - place} of its {len(series.places)} readings"
        f"{'' if series.number == whole else ' and the series after it are missing'}; go on with: "
        f"anviltrace calibration record --resume {calibration_id[:8]}"
    )
