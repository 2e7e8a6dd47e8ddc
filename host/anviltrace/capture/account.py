"""Whether every sample of a run is there, proved from the board's own count. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.link.events import Recovered, Totals
from anviltrace.records import Gap, GapCause


@dataclass(frozen=True, slots=True)
class Account:
    """A run's samples against the totals of the board.

    ``blocks`` came of ``blocks_made``; ``samples`` of ``samples_made``; ``lost_by_converter`` and
    ``lost_on_link`` are in gaps. ``recovered`` blocks came only when they were asked for again.
    """

    blocks: int
    blocks_made: int
    samples: int
    samples_made: int
    lost_by_converter: int
    lost_on_link: int
    recovered: int

    @property
    def is_complete(self) -> bool:
        """Whether every block and every sample that the board counted is there."""
        return self.blocks == self.blocks_made and self.samples == self.samples_made

    def notices(self) -> list[tuple[str, str]]:
        """Kind and text of what is worth keeping: nothing for a run that came whole at once."""
        found = []
        if self.recovered:
            blocks = "1 block was" if self.recovered == 1 else f"{self.recovered} blocks were"
            found.append(("recovered", f"{blocks} lost or damaged on the link and came when asked for again"))
        if not self.is_complete:
            found.append(("incomplete", self._what_is_missing()))
        return found

    def _what_is_missing(self) -> str:
        missing = self.samples_made - self.samples
        parts = []
        if self.lost_by_converter:
            parts.append(f"{self.lost_by_converter} at the converter")
        if self.lost_on_link:
            parts.append(f"{self.lost_on_link} on the link")
        if self.blocks != self.blocks_made:
            parts.append(f"{self.blocks_made - self.blocks} of {self.blocks_made} blocks did not come")
        return f"{missing} of {self.samples_made} samples are missing: {', '.join(parts)}"


def account(totals: Totals, blocks: int, samples: int, gaps: Sequence[Gap], recovered: Recovered) -> Account:
    """Reckon up a run: ``blocks`` and ``samples`` that came, and the ``gaps`` noted meanwhile."""
    lost = {cause: sum(gap.count for gap in gaps if gap.cause is cause) for cause in GapCause}
    return Account(
        blocks=blocks,
        blocks_made=totals.blocks,
        samples=samples,
        samples_made=totals.next_index,
        lost_by_converter=lost[GapCause.CONVERTER],
        lost_on_link=lost[GapCause.LINK],
        recovered=recovered.recovered,
    )
