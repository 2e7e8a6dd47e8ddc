"""Runs that the board keeps in its memory and sends afterwards: their course, and how they are taken in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.capture.intake import Counts, Intake, Keeper
from anviltrace.capture.onset import BACK_S, Baseline, OnsetFinder, baseline, floor_counts
from anviltrace.capture.stages import Stage
from anviltrace.link.burst import Burst, from_its_first_block, plan_burst, totals_from_its_first_block
from anviltrace.link.events import Totals
from anviltrace.link.identity import Identity
from anviltrace.records import Plan, Settings
from anvilwire.messages import BLOCK_SAMPLES, NO_TRIGGER

COMPLETE = "ended with the burst"

TRIGGER_SIGMAS = 8.0
"""Beyond noise that is looked at for minutes at 30,000 samples a second."""
TRIGGER_FLOORS = 5.0
"""10 % of the range of a strain-gauge transducer: a nut that runs down its thread stays below, a blow does
not."""


@dataclass(frozen=True, slots=True)
class BurstWish:
    """What the user wants of a burst; ``length_s`` None is the longest, ``level_counts`` None our choice.

    ``before_share`` is the share of the length that lies before the trigger.
    """

    length_s: float | None = None
    before_share: float = 0.25
    level_counts: int | None = None

    def at_once(self, identity: Identity, rate_hz: float, length_s: float) -> Burst:
        """A burst without a trigger, ``length_s`` long or as long as the memory allows."""
        longest_s = identity.burst_samples / rate_hz
        return plan_burst(identity, rate_hz, min(length_s, longest_s), 0.0, None)

    def on_blow(self, identity: Identity, settings: Settings, zero_sd_counts: float) -> Burst:
        """A burst that the first blow triggers. Raises PlanError when the memory does not hold it."""
        level = self.level_counts or trigger_level(settings, zero_sd_counts)
        return plan_burst(identity, settings.rate_hz, self.length_s, self.before_share, level)


def trigger_level(settings: Settings, zero_sd_counts: float) -> int:
    """How far from the level at the beginning a sample has to be to trigger, in counts."""
    return round(max(TRIGGER_SIGMAS * zero_sd_counts, TRIGGER_FLOORS * floor_counts(settings)))


class BurstStages:
    """The course of a burst: quiet until the board watches for the trigger, drive until it came, done.

    While it lasts there is only the board's count of samples to go by (:meth:`reach`); the samples come all
    at once at its end. Without a plan it is a zero reading.
    """

    release_index = None

    def __init__(self, burst: Burst, settings: Settings, plan: Plan | None) -> None:
        self.burst = burst
        self._plan = plan
        self._settings = settings
        rate_hz = settings.rate_hz
        watched_from = BLOCK_SAMPLES * (burst.before_blocks + 1)
        quiet = (
            BLOCK_SAMPLES * burst.blocks
            if plan is None
            else max(watched_from, round(plan.before_s * rate_hz))
        )
        self._until = quiet
        self._finder: OnsetFinder | None = None
        self.stage = Stage.QUIET
        self.baseline: Baseline | None = None
        self.onset_index: int | None = None
        self.reason = COMPLETE

    @property
    def against_rotation(self) -> bool:
        """Whether the signal moved the other way than the plan's rotation when the tool set in."""
        return self._finder is not None and self._finder.against_rotation

    def reach(self, index: int) -> list[Stage]:
        """The board has so many samples; return the stages that have begun."""
        if self._plan is None or index < self._until or self.stage is Stage.DONE:
            return []
        if self.stage is Stage.QUIET:
            self.stage = Stage.DRIVE
            self._until = index + round(self._plan.onset_limit_s * self._settings.rate_hz)
        else:
            limit_s = self._plan.onset_limit_s
            self.reason = f"nothing triggered the burst within {limit_s:g} s of the signal to drive"
            self.stage = Stage.DONE
        return [self.stage]

    def feed(self, first_index: int, counts: Counts) -> list[Stage]:  # noqa: ARG002
        """Nothing comes while it lasts."""
        return []

    def complete(self) -> list[Stage]:
        """The board has the burst: the tool may be let go while it is fetched."""
        if self.stage in (Stage.RELEASE, Stage.DONE):
            return []
        self.stage = Stage.RELEASE if self._plan is not None else Stage.DONE
        return [self.stage]

    def seconds_left(self, index: int) -> float:
        """Time to the next stage, in seconds of signal."""
        return max(0.0, (self._until - index) / self._settings.rate_hz)

    def look(self, stretches: list[tuple[int, Counts]], trigger_index: int) -> None:
        """Find the onset in the samples of the burst; it is the trigger where the usual rule finds none."""
        self.stage = Stage.DONE
        if self._plan is None or not 0 <= trigger_index < NO_TRIGGER:
            return
        rate_hz = self._settings.rate_hz
        quiet_end = trigger_index - round(BACK_S * rate_hz)
        before = [counts[: max(0, quiet_end - first)] for first, counts in stretches]
        quiet = np.concatenate([*before, np.empty(0, np.int32)])
        self.onset_index = trigger_index
        if len(quiet) < 2:
            return
        self.baseline = baseline(quiet, floor_counts(self._settings))
        self._finder = OnsetFinder(self.baseline, self._plan.rotation.sign, rate_hz)
        for first, counts in stretches:
            found = self._finder.feed(first, counts)
            if found is not None:
                self.onset_index = min(found, trigger_index)
                return


class BurstIntake(Intake):
    """Takes the blocks of a burst, which begin anywhere in the board's run, and counts from its first one."""

    def __init__(self, keeper: Keeper, run_id: str, wire_run_id: int, settings: Settings) -> None:
        super().__init__(keeper, run_id, wire_run_id, settings)
        self._tables: list[npt.NDArray[np.void]] = []
        self._parts: list[Counts] = []

    def take(self, blocks: npt.NDArray[np.void], samples: Counts) -> list[tuple[int, Counts]]:
        """Hold the blocks until the totals tell where the burst begins."""
        self._tables.append(blocks)
        self._parts.append(samples)
        return []

    def settle(self, totals: Totals) -> tuple[Totals, list[tuple[int, Counts]]]:
        """Keep the burst: its stretches, and the totals counted as they are."""
        if not self._tables:
            nothing = totals_from_its_first_block(totals, totals.next_index, totals.lost)
            return nothing, []
        table = np.concatenate(self._tables)
        first, lost = int(table["first_index"][0]), int(table["lost"][0])
        counted = totals_from_its_first_block(totals, first, lost)
        table = from_its_first_block(table, first, totals.first_block, lost)
        stretches = super().take(table, np.concatenate(self._parts))
        self.close(counted.next_index, counted.lost, counted.blocks)
        return counted, stretches


def words(burst: Burst, totals: Totals, settings: Settings) -> str:
    """What the archive keeps of it: that it was a burst, how long, and what triggered it."""
    rate_hz = settings.rate_hz
    length = f"a burst of {totals.next_index} samples, {1e3 * totals.next_index / rate_hz:.0f} ms"
    kept = "kept in the board's memory and sent afterwards"
    if burst.level_counts is None:
        return f"{length}, {kept}"
    if not 0 <= totals.trigger_index < totals.next_index:
        return f"{length}, {kept}; nothing triggered it"
    before_ms = 1e3 * totals.trigger_index / rate_hz
    return (
        f"{length}, {kept}; it begins {before_ms:.0f} ms before a sample left the level by more than "
        f"{burst.level_counts} counts, and nothing was recorded behind its end"
    )
