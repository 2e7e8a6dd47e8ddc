"""Bursts: runs that the board keeps in memory because its link cannot carry them as they go, and what the
link can carry. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError, RefusedError
from anviltrace.link.events import Totals
from anviltrace.link.identity import Identity
from anvilwire.frame import OVERHEAD
from anvilwire.messages import (
    BLOCK_AGE_S,
    BLOCK_HEADER_SIZE,
    BLOCK_SAMPLES,
    LEVEL_LIMIT_COUNTS,
    NO_TRIGGER,
    NOT_ON_OFFER,
)
from anvilwire.stuffing import stuffed_size

SAMPLE_BYTES = 3
_AROUND_SAMPLES = OVERHEAD + BLOCK_HEADER_SIZE
_DELIMITERS = 2
NEARLY_FULL = 0.9
"""From this share of what the link carries on, little is left for sending again what was lost."""


@dataclass(frozen=True, slots=True)
class Burst:
    """What a board is asked to keep: ``blocks`` blocks, ``before_blocks`` of them before the trigger's.

    ``level_counts`` is how far a sample has to be from the level at the beginning to trigger; None: at once.
    """

    blocks: int
    before_blocks: int = 0
    level_counts: int | None = None


def needed_bytes_per_s(rate_hz: float) -> float:
    """What blocks take on the link at a sample rate: full ones, or one every 50 ms where those are more."""
    blocks_per_s = max(rate_hz / BLOCK_SAMPLES, min(rate_hz, 1.0 / BLOCK_AGE_S))
    samples = min(BLOCK_SAMPLES, rate_hz / blocks_per_s)
    raw = _AROUND_SAMPLES + samples * SAMPLE_BYTES
    return blocks_per_s * (stuffed_size(math.ceil(raw)) + _DELIMITERS)


def why_not_carried(identity: Identity, rate_hz: float) -> str:
    """Why the board's link cannot carry this rate, with the figures; empty where it can, or nobody knows."""
    carried = identity.link_bytes_per_s
    needed = needed_bytes_per_s(rate_hz)
    if carried is None or needed <= carried:
        return ""
    return (
        f"{rate_hz:g} Hz needs {needed:.0f} bytes/s and the board's link carries {carried}: choose a lower "
        f"rate, or bursts of up to {longest_s(identity, rate_hz) * 1e3:.0f} ms (anviltrace capture --burst)"
    )


def must_carry(identity: Identity, rate_hz: float) -> None:
    """Raise RefusedError, with the figures, when the board's link cannot carry this rate."""
    if why := why_not_carried(identity, rate_hz):
        raise RefusedError(why, NOT_ON_OFFER)


def tight(identity: Identity, rate_hz: float) -> str:
    """What to say where the link carries this rate with little to spare; empty where there is no need."""
    carried = identity.link_bytes_per_s
    needed = needed_bytes_per_s(rate_hz)
    if carried is None or not NEARLY_FULL * carried < needed <= carried:
        return ""
    return (
        f"{rate_hz:g} Hz needs {needed:.0f} of the {carried} bytes/s that the board's link carries: little "
        "is left for sending again what is lost"
    )


def longest_s(identity: Identity, rate_hz: float) -> float:
    """Length of the longest burst at a rate."""
    return identity.burst_samples / rate_hz


def plan_burst(
    identity: Identity, rate_hz: float, length_s: float | None, before_share: float, level_counts: int | None
) -> Burst:
    """The burst of at least ``length_s`` (None: the longest), with ``before_share`` of it before the trigger.

    Raises PlanError, with the limits, for what the board's memory does not hold.
    """
    most = identity.burst_samples // identity.block_samples
    longest = longest_s(identity, rate_hz)
    wanted_s = longest if length_s is None else length_s
    blocks = max(1, math.ceil(wanted_s * rate_hz / identity.block_samples))
    if blocks > most:
        raise PlanError(
            f"a burst of {1e3 * wanted_s:g} ms at {rate_hz:g} Hz: the board's memory holds "
            f"{identity.burst_samples} samples, {1e3 * longest:.0f} ms; ask for no more"
        )
    if level_counts is None:
        return Burst(blocks)
    if not 0 < level_counts < LEVEL_LIMIT_COUNTS:
        raise PlanError(f"a burst's level of {level_counts} counts: give 1 to {LEVEL_LIMIT_COUNTS - 1}")
    before = min(round(before_share * blocks), blocks - 1)
    return Burst(blocks, before, level_counts)


def from_its_first_block(
    table: npt.NDArray[np.void], first_index: int, first_block: int, lost: int
) -> npt.NDArray[np.void]:
    """Blocks of a burst with numbers, indices and losses counted from its first block."""
    counted = table.copy()
    counted["number"] -= first_block
    counted["first_index"] -= first_index
    counted["lost"] -= lost
    return counted


def totals_from_its_first_block(totals: Totals, first_index: int, lost: int) -> Totals:
    """The totals of a burst, counted as :func:`from_its_first_block` does."""
    trigger = totals.trigger_index
    return replace(
        totals,
        blocks=totals.blocks - totals.first_block,
        next_index=totals.next_index - first_index,
        lost=totals.lost - lost,
        first_block=0,
        trigger_index=trigger if trigger == NO_TRIGGER else trigger - first_index,
    )
