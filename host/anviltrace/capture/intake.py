"""From what a read of the link brought to what the archive keeps: samples, gaps, notices, counters."""

from __future__ import annotations

import itertools
from typing import Protocol

import numpy as np
import numpy.typing as npt

from anviltrace.link.events import Totals
from anviltrace.records import Gap, GapCause, Settings
from anvilwire import messages

Counts = npt.NDArray[np.int32]


class Keeper(Protocol):
    """Where an intake puts things: a recording of the archive."""

    @property
    def next_index(self) -> int:
        """Index the next sample must have."""

    def append(self, first_index: int, samples: Counts) -> None:
        """Keep samples that follow on the last ones."""

    def gap(self, gap: Gap) -> None:
        """Keep word of samples that are missing."""

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:
        """Keep something worth knowing."""


class Intake:
    """Takes the blocks of one run in order and keeps everything that can be known about what is missing.

    ``blocks``, ``samples`` and ``gaps`` are what came and what did not, so far.
    """

    def __init__(self, keeper: Keeper, run_id: str, wire_run_id: int, settings: Settings) -> None:
        self._keeper = keeper
        self._run_id = run_id
        self._wire_run_id = wire_run_id
        self._settings = settings
        self._next_block = 0
        self._lost = 0
        self._indices: list[npt.NDArray[np.int64]] = []
        self._ticks: list[npt.NDArray[np.int64]] = []
        self.blocks = 0
        self.samples = 0
        self.gaps: list[Gap] = []
        self.saturated = 0
        self.latest_counts: int | None = None

    def take(self, blocks: npt.NDArray[np.void], samples: Counts) -> list[tuple[int, Counts]]:
        """Keep the blocks of one read (in order, with all their samples, one channel).

        Returns the stretches taken: index of the first sample, counts.
        """
        blocks, samples = self._ours(blocks, samples)
        if not len(blocks):
            return []
        ends = np.cumsum(blocks["count"].astype(np.int64))
        stretches = []
        for begin, stop in self._stretches(blocks):
            first = int(blocks["first_index"][begin])
            counts = samples[ends[begin] - int(blocks["count"][begin]) : ends[stop - 1]]
            self._note_missing(blocks[begin], first)
            self._keeper.append(first, counts)
            self._next_block = int(blocks["number"][stop - 1]) + 1
            self._lost = int(blocks["lost"][stop - 1])
            stretches.append((first, counts))
        self._note(blocks, samples)
        return stretches

    def close(self, next_index: int, lost: int, blocks: int) -> None:
        """Take the board's totals (samples, those its converter lost, blocks): the end may be missing too."""
        missing = next_index - self._keeper.next_index
        if missing > 0:
            absent = blocks - self._next_block
            cause = GapCause.LINK if lost - self._lost < missing else GapCause.CONVERTER
            self._gap(missing, cause, lost, absent + 1)

    def settle(self, totals: Totals) -> tuple[Totals, list[tuple[int, Counts]]]:
        """:meth:`close` with the board's totals; returns them, and stretches taken only now: none."""
        self.close(totals.next_index, totals.lost, totals.blocks)
        return totals, []

    def ticks(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Sample indices and 30-bit ticks of the first and last samples of all blocks, in order."""
        if not self._indices:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        return np.concatenate(self._indices), np.concatenate(self._ticks)

    def _ours(self, blocks: npt.NDArray[np.void], samples: Counts) -> tuple[npt.NDArray[np.void], Counts]:
        """Without blocks of an earlier run still on the way, and without blocks that came before."""
        ours = (blocks["run_id"] == self._wire_run_id) & (blocks["first_index"] >= self._keeper.next_index)
        if ours.all():
            return blocks, samples
        return blocks[ours], samples[np.repeat(ours, blocks["count"])]

    def _stretches(self, blocks: npt.NDArray[np.void]) -> list[tuple[int, int]]:
        """Ranges of blocks without anything missing inside."""
        first = blocks["first_index"].astype(np.int64)
        expected = first[:-1] + blocks["count"][:-1]
        breaks = (first[1:] != expected).nonzero()[0] + 1
        edges = [0, *breaks.tolist(), len(blocks)]
        return list(itertools.pairwise(edges))

    def _note_missing(self, block: np.void, first: int) -> None:
        missing = first - self._keeper.next_index
        if missing <= 0:
            return
        absent = int(block["number"]) - self._next_block
        cause = GapCause.LINK if absent else GapCause.CONVERTER
        follows_loss = bool(block["flags"] & messages.BLOCK_AFTER_LOSS)
        self._gap(missing, cause, int(block["lost"]), absent + follows_loss)

    def _gap(self, missing: int, cause: GapCause, lost: int, losses_most: int) -> None:
        """A gap up to where the board had ``lost`` so many samples.

        The converter's losses in it are each known to ±1. There are no more than samples lost meanwhile, nor
        than ``losses_most``: a block begins after one at most.
        """
        inferred = min(lost - self._lost, losses_most)
        uncertainty = inferred if cause is GapCause.LINK else max(1, inferred)
        self.gaps.append(Gap(self._run_id, self._keeper.next_index, missing, cause, uncertainty))
        self._keeper.gap(self.gaps[-1])

    def _note(self, blocks: npt.NDArray[np.void], samples: Counts) -> None:
        low, high = self._settings.saturation_low, self._settings.saturation_high
        if (blocks["flags"] & messages.BLOCK_SATURATED).any():
            self.saturated += int(np.count_nonzero((samples == low) | (samples == high)))
        doubtful = blocks[(blocks["flags"] & messages.BLOCK_GLITCH) != 0]
        for block in doubtful:
            self._keeper.notice(
                "doubtful", "the converter did not trust a reading", int(block["first_index"])
            )
        first = blocks["first_index"].astype(np.int64)
        last = first + blocks["count"] - 1
        self._indices.append(np.column_stack((first, last)).ravel())
        ticks = np.column_stack((blocks["tick_first"], blocks["tick_last"]))
        self._ticks.append(ticks.astype(np.int64).ravel())
        self.latest_counts = int(samples[-1])
        self.blocks += len(blocks)
        self.samples += len(samples)
