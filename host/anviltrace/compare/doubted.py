"""What casts doubt on the calibrations that compared runs rest on, gathered from the runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from anviltrace.compare.groups import Group


def doubted(groups: Iterable[Group]) -> list[str]:
    """Each doubt once, with the number of kept runs that it concerns."""
    doubts = Counter(doubt for group in groups for result in group.kept for doubt in result.doubts)
    return [f"{doubt} ({count} run{'s' if count > 1 else ''})" for doubt, count in doubts.items()]
