"""What a board may say while nobody has asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anvilwire import messages

REASONS = {
    messages.ASKED: "asked for",
    messages.HOST_SILENT: "the board heard nothing from this computer",
    messages.CONVERTER_FAULT: "the converter failed",
    messages.INDEX_LIMIT: "the sample index has reached its limit",
    messages.INTERNAL_ERROR: "an error in the board's script",
    messages.BURST_FULL: "the burst is complete",
}
"""Why a run ended, in words."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Sample blocks of the run, in the order they arrived; see ``stream.Batch`` for the two arrays."""

    table: npt.NDArray[np.void]
    samples: npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Side:
    """Samples of a side sensor, int32 counts of shape (samples, channels).

    The last of them was ready at ``tick``, or up to ``late_us`` before; ``lost`` counts the sensor's lost
    samples of the run so far, which ``first_index`` has counted too.
    """

    sensor: int
    first_index: int
    tick: int
    late_us: int
    lost: int
    counts: npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Alive:
    """The board's heartbeat."""

    state: int
    run_id: int
    tick: int
    next_index: int
    lost: int
    bad_requests: int


@dataclass(frozen=True, slots=True)
class BoardError:
    """Something went wrong on the board."""

    code: int
    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """Stray text between frames: a boot message, a traceback."""

    text: str


@dataclass(frozen=True, slots=True)
class Damage:
    """What the line spoiled since the last such event; see ``stream.StreamReader`` for the counts."""

    damaged: int
    dropped_bytes: int
    missed: int
    malformed: int

    def __str__(self) -> str:
        return (
            f"{self.damaged} damaged segments ({self.dropped_bytes} bytes), {self.missed} frames missing, "
            f"{self.malformed} malformed blocks"
        )


@dataclass(frozen=True, slots=True)
class Recovered:
    """Blocks of a run that came only when asked for again, that came more than once, that never came."""

    recovered: int
    repeated: int
    gone: int


@dataclass(frozen=True, slots=True)
class Totals:
    """What the board counted in a run; ``next_index`` is the number of samples, lost ones included.

    ``first_block`` is the oldest block it still has, of a burst the first; ``trigger_index`` the sample that
    triggered a burst, ``messages.NO_TRIGGER`` where nothing did.
    """

    run_id: int
    reason: int
    blocks: int
    next_index: int
    lost: int
    saturated: int
    unsent_blocks: int
    bad_requests: int
    first_block: int
    trigger_index: int

    @property
    def reason_text(self) -> str:
        """Why the run ended, in words."""
        return REASONS.get(self.reason, f"reason {self.reason}")


@dataclass(frozen=True, slots=True)
class Finished:
    """The board ended the run by itself."""

    totals: Totals


Event = Blocks | Side | Alive | BoardError | Text | Damage | Finished
