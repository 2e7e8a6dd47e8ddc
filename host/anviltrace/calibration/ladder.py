"""The loads of a calibration in rising order: which weights hang at each step."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.errors import CalibrationError
from anviltrace.records import Mass

MOST_ANGLE_DEG = 10.0
"""An arm further from level is refused: there a degree of doubt is 0.3 % of torque."""


@dataclass(frozen=True, slots=True)
class Load:
    """Weights that hang together, and the angle of the arm then in degrees (None: that of the bare arm)."""

    masses: tuple[Mass, ...]
    angle_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preload:
    """So many times to the highest load and back before anything is read, waiting ``hold_s`` after each.

    A transducer that has just been mounted, or was loaded the other way, shifts in its first cycle.
    """

    count: int = 1
    hold_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a full course is taken.

    The supply is on ``warm_up_s`` before the first reading; ``preloads`` precede the readings of the first
    mounting, further mountings take those of :class:`Preload`; a zero is read ``zero_wait_s`` after the
    weights were taken off. With ``ask_angle`` the angle of the arm is asked for under every load.

    Four mountings, a quarter of a turn apart, where published practice has three: their three degrees of
    freedom are the fewest with which simulated intervals hold what they say.
    """

    mountings: int = 4
    warm_up_s: float = 900.0
    preloads: int = 3
    zero_wait_s: float = 30.0
    ask_angle: bool = False


def one_more_each_time(masses: Sequence[Mass]) -> tuple[Load, ...]:
    """The first weight, the first two, and so on."""
    return tuple(Load(tuple(masses[: count + 1])) for count in range(len(masses)))


def check_ladder(ladder: Sequence[Load]) -> None:
    """Raise CalibrationError unless a rising series can be hung like this."""
    for number, load in enumerate(ladder, 1):
        name, times = Counter(mass.name for mass in load.masses).most_common(1)[0] if load.masses else ("", 0)
        if not load.masses:
            raise CalibrationError(
                f"load {number} hangs nothing: the zero readings are taken anyway, drop it"
            )
        if times > 1:
            raise CalibrationError(f"load {number} hangs {name!r} {times} times: there is one; name it once")
    for number, (lower, higher) in enumerate(itertools.pairwise(ladder), 2):
        _check_rise(number, lower, higher)
    if len(ladder) < 2:
        raise CalibrationError(
            f"{len(ladder)} load: a line needs two different loads at least, five are better; add a weight"
        )


def _check_rise(number: int, lower: Load, higher: Load) -> None:
    missing = [mass.name for mass in lower.masses if mass not in higher.masses]
    if missing:
        raise CalibrationError(
            f"load {number} takes {missing[0]!r} off again: a series only rises; keep it on, or drop the load"
        )
    if len(higher.masses) == len(lower.masses):
        raise CalibrationError(f"loads {number - 1} and {number} are the same: drop one of them")
