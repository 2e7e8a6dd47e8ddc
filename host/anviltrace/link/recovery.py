"""Blocks put in order: what is missing is asked for again, and what does not come is given up. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from anviltrace.link.events import Blocks, Recovered

ANSWER_S = 0.1
"""So long a missing block is waited for before it is asked for once more."""
TRIES = 24
"""So often in a row in vain; then the blocks are given up."""
ASK_MOST = 256
"""Blocks asked for at a time: more than a board keeps."""

Table = npt.NDArray[np.void]
Samples = npt.NDArray[np.int32]


class Recovery:
    """Hands on the blocks of a run in the order of their numbers, each once: :meth:`ready`.

    Blocks behind a missing one are held back until it comes, until the board says that it is gone, or until
    it has been asked for :data:`TRIES` times in vain. ``window_blocks`` is how many blocks the board can send
    again; with 0 nothing is asked for and nothing held back. A burst ``is_burst``: its blocks come only when
    they are asked for, after its end. Times are seconds of any clock that goes on.
    """

    def __init__(self, window_blocks: int, is_burst: bool = False) -> None:
        self._asks = window_blocks > 0
        self._is_burst = is_burst
        self._next = 0  # number of the block whose turn it is
        self._end = 0  # one more than the highest number known of
        self._floor = 0  # what is missing below is not waited for
        self._ended = False
        self._held: dict[int, tuple[Table, Samples]] = {}
        self._ready: list[Blocks] = []
        self._asked_end = 0
        self._tries = 0
        self._deadline_s = 0.0
        self._recovered = self._repeated = self._gone = 0

    @property
    def done(self) -> bool:
        """Whether the run has ended and nothing is waited for any more."""
        return self._ended and self._next >= self._end

    @property
    def counts(self) -> Recovered:
        """How many blocks came only when asked for again, came twice, or never came."""
        return Recovered(self._recovered, self._repeated, self._gone)

    def ready(self) -> list[Blocks]:
        """The blocks whose turn has come since the last call."""
        ready, self._ready = self._ready, []
        return ready

    def take(self, table: Table, samples: Samples, now_s: float) -> None:
        """Take blocks as they arrived, with all their samples (one channel)."""
        numbers = table["number"].astype(np.int64)
        if not self._held and (numbers == self._next + np.arange(len(numbers))).all() and self._may_flow():
            self._next = int(numbers[-1]) + 1
            self._end = max(self._end, self._next)
            self._ready.append(Blocks(table, samples))
            return
        stops = np.cumsum(table["count"].astype(np.int64)).tolist()
        for row, number in enumerate(numbers.tolist()):
            first = stops[row] - int(table["count"][row])
            self._hold(number, table[row : row + 1], samples[first : stops[row]], now_s)
        self._advance()

    def wish(self, now_s: float) -> tuple[int, int] | None:
        """First number and count of the blocks to ask for now, None where there is nothing to ask."""
        if self._next >= self._end or now_s < self._deadline_s:
            return None
        if self._tries >= TRIES:
            self._floor = self._first_held()
            self._advance()
            return self.wish(now_s)
        self._tries += 1
        self._deadline_s = now_s + ANSWER_S
        self._asked_end = min(self._first_held(), self._next + ASK_MOST)
        return self._next, self._asked_end - self._next

    def answered(self, oldest: int) -> None:
        """The board keeps nothing older than block ``oldest``."""
        self._floor = max(self._floor, oldest)
        self._advance()

    def refused(self) -> None:
        """The board sends nothing again: what is missing is gone."""
        self._asks = False
        self._advance()

    def end(self, blocks: int, first_block: int) -> None:
        """The run has ended with so many blocks, of which those from ``first_block`` on can still be had."""
        if self._is_burst and not self._ended:
            self._next = first_block
        self._ended = True
        self._end = max(self._end, blocks)
        self.answered(first_block)

    def give_up(self) -> None:
        """Wait for nothing more."""
        self._floor = self._end
        self._advance()

    def _may_flow(self) -> bool:
        """Whether these blocks, next in turn, come without having been asked for."""
        return self._next >= self._end and not self._is_burst

    def _hold(self, number: int, table: Table, samples: Samples, now_s: float) -> None:
        if number < self._next or number in self._held:
            self._repeated += 1
            return
        if number < self._end:  # later ones came before, or the board told of it
            self._recovered += not self._is_burst
            self._tries, self._deadline_s = 0, now_s + ANSWER_S
        self._held[number] = (table, samples)
        self._end = max(self._end, number + 1)

    def _advance(self) -> None:
        """Hand on what has its turn; pass over what is not waited for."""
        turn = []
        floor = self._floor if self._asks else self._end
        while self._next < self._end:
            if self._next in self._held:
                turn.append(self._held.pop(self._next))
                self._next += 1
            elif self._next < floor:
                ahead = min(self._first_held(), floor)
                self._gone += ahead - self._next
                self._next = ahead
            else:
                break
        if self._next >= self._asked_end:
            self._tries, self._deadline_s = 0, 0.0
        if turn:
            tables, parts = zip(*turn, strict=True)
            self._ready.append(Blocks(np.concatenate(tables), np.concatenate(parts)))

    def _first_held(self) -> int:
        return min(self._held, default=self._end)
