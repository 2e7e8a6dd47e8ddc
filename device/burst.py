"""When a burst is over: a run that is kept in memory and sent afterwards, with what came before a trigger."""

from anvilwire.messages import (
    BLOCK_SAMPLES,
    LEVEL_LIMIT_COUNTS,
    NO_TRIGGER,
    TRIGGER_AT_ONCE,
    TRIGGER_ON_LEVEL,
)

_NEVER = -1


class Burst:
    """Looks at the blocks of a run for a departure from the level at its beginning.

    The level is the mean of the run's first full block. The burst is over when the run has ``end`` blocks,
    -1 as long as nobody knows; ``trigger`` is the index of the sample that departed, NO_TRIGGER before.
    """

    def __init__(self):
        self.end = _NEVER
        self.trigger = NO_TRIGGER
        self._blocks = 0
        self._before = 0
        self._level_counts = 0
        self._low = 1  # above high: the level is not known yet
        self._high = 0

    def arm(self, trigger, level_counts, before_blocks, blocks, most_blocks):
        """Prepare for a run of ``blocks`` blocks, ``before_blocks`` of them before the one that triggers.

        Returns whether that can be. At once there is nothing before.
        """
        if not 0 < blocks <= most_blocks or before_blocks >= blocks:
            return False
        if trigger > TRIGGER_ON_LEVEL or not 0 <= level_counts < LEVEL_LIMIT_COUNTS:
            return False
        self._blocks = blocks
        self._before = before_blocks
        self._level_counts = level_counts
        self._low = 1
        self._high = 0
        self.end = _NEVER
        self.trigger = NO_TRIGGER
        if trigger == TRIGGER_AT_ONCE:
            self.trigger = 0
            self.end = blocks
        return True

    def look(self, block):
        """Look at a block before it is kept."""
        if self.end != _NEVER:
            return
        if self._low > self._high:
            if block.count == BLOCK_SAMPLES:
                level = block.mean()
                self._low = level - self._level_counts
                self._high = level + self._level_counts
            return
        if block.number < self._before:
            return
        at = block.departure(self._low, self._high)
        if at >= 0:
            self.trigger = at
            self.end = block.number - self._before + self._blocks

    def first_kept(self, block):
        """Number of the first block of the burst."""
        return max(block.oldest(), block.number - self._blocks)
