"""What casts doubt on the calibrations that compared runs rest on, gathered from the runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from anviltrace.compare.groups import Group

_BEGINS = "calibration "
"""How a doubt of a run about its calibration begins, see metrics/doubtful.py."""
_DOUBT = " is doubtful: "


def doubted(groups: Iterable[Group]) -> list[str]:
    """Each doubt once, with the number of kept runs that it concerns."""
    flags = Counter(
        flag
        for group in groups
        for result in group.kept
        for flag in result.flags
        if flag.startswith(_BEGINS) and _DOUBT in flag
    )
    return [f"{flag} ({count} run{'s' if count > 1 else ''})" for flag, count in flags.items()]
