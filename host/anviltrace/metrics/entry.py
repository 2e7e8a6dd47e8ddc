"""What an entry of the catalogue of metrics is made of."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from anviltrace.records import RigKind

ALL_RIGS = tuple(RigKind)
HELD_RIGS = (RigKind.HELD,)
OTHER_RIGS = (RigKind.FIXED, RigKind.THROUGH)


class Group(StrEnum):
    """What metrics are shown together; the value is the heading. The leading ones come first."""

    LEADING = "what it comes to"
    BLOWS = "the blows"
    RHYTHM = "the rhythm"
    CLIMB = "the climb"
    ENERGY = "in place of energy"
    TIME = "time"
    SUPPLY = "what feeds the tool"
    HANDLE = "at the handle"
    READINGS = "readings"


class Source(StrEnum):
    """Where a definition comes from."""

    COMMON = "common practice"
    DERIVED = "derived and checked here"
    OWN = "our own"


class Mark(StrEnum):
    """What tells several values of one metric apart; the value is the unit of the mark."""

    TIME = "s"
    TORQUE = "N·m"


class Need(StrEnum):
    """What has to be there before a metric can be stated; the value says it in words."""

    BLOWS = "single blows that the converter can tell apart"
    SHAPE = "blows sampled well enough, and slow enough for the rig, to see their shape"
    CALIBRATION = "a valid calibration for the sign of the torque"
    ZERO = "a zero reading right before or after the run"
    QUIET = "a quiet stretch in which the rig has stopped ringing"
    AFTER = "a stretch after the last blow"
    MARK = "a run that lasts to the time mark"
    LEVELS = "levels after at least 5 blows, 8 for a model"
    LONG_AFTER = "10.05 s of record after the last blow"
    RETAINED = "a final retained torque"
    VOLTAGE = "a supply voltage channel"
    CURRENT = "a supply current channel"
    AXIS = "a handle acceleration channel of this axis"
    AXES = "handle acceleration channels of three axes"
    ROTATION = "a handle rotation channel"
    TRIGGER = "a trigger channel"
    BEFORE_ON = "a record of it that begins a tenth of a second before the tool is switched on"


@dataclass(frozen=True, slots=True)
class Metric:
    """One entry. ``label`` is for headings; ``rigs`` are the kinds of rig it exists for.

    ``climbing``: it exists only while the tool turns the way that tightens.
    """

    name: str
    label: str
    unit: str
    definition: str
    computed: str
    uncertainty: str
    needs: tuple[Need, ...]
    group: Group
    source: Source = Source.COMMON
    rigs: tuple[RigKind, ...] = ALL_RIGS
    torque: bool = True
    marked: Mark | None = None
    climbing: bool = False
