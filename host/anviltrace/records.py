"""The nouns of the bench as frozen records.

The archive maps them to rows; everyone else takes and returns them. ``id`` fields are UUID strings, made
by :func:`new_id`; times called ``*_at`` are UTC in ISO 8601 with a ``Z``, made by :func:`now_utc`.
Sample counts are the converter's codes, never altered.
"""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum


def new_id() -> str:
    """A fresh random UUID, so that archives of different benches can be merged."""
    return str(uuid.uuid4())


_NAMESPACE = uuid.UUID("5f0c7a52-3f5e-4c33-9b5c-0d3c1c5a7e11")


def described_id(kind: str, description: object) -> str:
    """The UUID (version 5) of what is described: the same description has the same id in every archive.

    ``description`` is plain data; what JSON does not know counts by its text.
    """
    text = json.dumps([kind, description], sort_keys=True, ensure_ascii=False, default=str)
    return str(uuid.uuid5(_NAMESPACE, text))


def now_utc() -> str:
    """The wall clock in UTC, ISO 8601 to the millisecond, for instance 2026-05-04T08:15:00.250Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def readable_time(utc: str) -> str:
    """2026-05-04 08:15:00 for 2026-05-04T08:15:00.250Z."""
    return utc[:19].replace("T", " ")


def turning(sign: int) -> str:
    """The direction of torque of this sign in words, seen from behind the tool."""
    return "clockwise" if sign > 0 else "counter-clockwise"


class RigKind(StrEnum):
    """Where the transducer sits; declared by the builder and believed over the data."""

    FIXED = "fixed"
    THROUGH = "through"
    HELD = "held"


class Rotation(StrEnum):
    """Sense of rotation seen from behind the tool; clockwise torque is positive."""

    CW = "cw"
    CCW = "ccw"

    @property
    def sign(self) -> int:
        """+1 for clockwise, -1 for counter-clockwise."""
        return 1 if self is Rotation.CW else -1


class Thread(StrEnum):
    """Hand of the thread being driven."""

    RIGHT = "right"
    LEFT = "left"
    NONE = "none"


class Duty(StrEnum):
    """What the tool does to the joint."""

    TIGHTENING = "tightening"
    LOOSENING = "loosening"
    LOCKED = "locked"


class Start(StrEnum):
    """State of the joint when the run begins."""

    SLACK = "slack"
    PRESET = "preset"


class RunKind(StrEnum):
    """What a recording is for."""

    MEASUREMENT = "measurement"
    CALIBRATION = "calibration"
    ZERO = "zero"
    CHECK = "check"
    TAP = "tap"
    IMPORT = "import"


OF_A_TOOL = (RunKind.MEASUREMENT, RunKind.IMPORT)
"""Kinds of recordings that show a tool at work."""


class RunState(StrEnum):
    """How far a recording has come. ``recording`` in a file nobody writes to means it was interrupted."""

    RECORDING = "recording"
    FINISHED = "finished"
    INTERRUPTED = "interrupted"


class GapCause(StrEnum):
    """Who lost the samples: the link (exact bounds) or the converter (inferred from ticks, ±1 sample)."""

    LINK = "link"
    CONVERTER = "converter"


class ScaleKind(StrEnum):
    """What one count means: a ratio to the excitation, a voltage, or torque (imported recordings only)."""

    RATIO = "mV/V"
    VOLTAGE = "V"
    TORQUE = "N·m"


class Spread(StrEnum):
    """Distribution behind a stated uncertainty; a rectangular half width is √3 times the standard one."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


class Quantity(StrEnum):
    """What a side channel holds; handle acceleration is along three axes at right angles to each other."""

    SUPPLY_VOLTAGE = "supply voltage"
    SUPPLY_CURRENT = "supply current"
    HANDLE_X = "handle acceleration x"
    HANDLE_Y = "handle acceleration y"
    HANDLE_Z = "handle acceleration z"
    HANDLE_ROTATION = "handle rotation"
    TRIGGER = "trigger"
    TEMPERATURE = "transducer temperature"

    @property
    def unit(self) -> str:
        """The unit it is kept in."""
        return _UNITS[self]


_UNITS = {
    Quantity.SUPPLY_VOLTAGE: "V",
    Quantity.SUPPLY_CURRENT: "A",
    Quantity.HANDLE_X: "m/s²",
    Quantity.HANDLE_Y: "m/s²",
    Quantity.HANDLE_Z: "m/s²",
    Quantity.HANDLE_ROTATION: "rad/s",
    Quantity.TRIGGER: "1",
    Quantity.TEMPERATURE: "°C",
}


@dataclass(frozen=True, slots=True)
class Rig:
    """A torque rig."""

    id: str
    name: str
    kind: RigKind
    note: str = ""


@dataclass(frozen=True, slots=True)
class Fitting:
    """What sits between tool and transducer: adapter, socket, extension."""

    id: str
    name: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Board:
    """The microcontroller as it introduced itself. ``unique_id`` is the chip's own number in hex."""

    id: str
    unique_id: str
    name: str
    firmware_version: str
    protocol_version: int
    converter: str
    code_bits: int


@dataclass(frozen=True, slots=True)
class Settings:
    """Converter settings as the board applied and read them back.

    A full-scale code of ``full_scale_code`` counts corresponds to ``full_scale`` in mV/V
    (``ScaleKind.RATIO``), V (``ScaleKind.VOLTAGE``) or N·m (``ScaleKind.TORQUE``). ``excitation_v`` is needed
    to turn a voltage into a ratio; ``excitation_source`` says where it came from (``ratiometric``,
    ``nominal`` or ``measured``).
    """

    id: str
    wire_id: int
    rate_hz: float
    gain: int
    group_delay_s: float
    scale_kind: ScaleKind
    full_scale: float
    full_scale_code: int
    saturation_low: int
    saturation_high: int
    excitation_v: float | None
    excitation_source: str
    registers: bytes = b""

    @property
    def mv_per_v_per_count(self) -> float | None:
        """Ratio of one count in mV/V, or None where only a nominal excitation is known."""
        if self.scale_kind is ScaleKind.RATIO:
            return self.full_scale / self.full_scale_code
        if self.scale_kind is ScaleKind.TORQUE:
            return None
        if self.excitation_v is None or self.excitation_source != "measured":
            return None
        return 1000.0 * self.full_scale / self.full_scale_code / self.excitation_v


@dataclass(frozen=True, slots=True)
class Tool:
    """A powered impact wrench under test."""

    id: str
    name: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    drive: str = ""
    mass_kg: float | None = None
    length_mm: float | None = None
    price: float | None = None
    currency: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Supply:
    """What feeds the tool. ``kind`` is ``pack``, ``mains adapter`` or ``air``."""

    id: str
    name: str
    kind: str
    nominal_v: float | None = None
    capacity_ah: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Claim:
    """What somebody states about a tool, for instance its maker in a leaflet.

    ``quantity`` is what the statement is about in its own words ("maximum torque", "loosening torque"),
    ``duty`` the duty it is made for, empty where it names none. ``unit`` is N·m or 1/s.
    """

    id: str
    tool_id: str
    quantity: str
    value: float
    unit: str
    duty: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Mass:
    """A weight for calibrating. ``u_kg`` is a standard uncertainty, ``spread`` the distribution behind it.

    ``conventional`` marks a conventional mass (weight certificate, ordinary scale) instead of a true one.
    ``dof`` are the degrees of freedom of ``u_kg``, None for infinite ones.
    """

    id: str
    name: str
    mass_kg: float
    u_kg: float
    spread: Spread
    conventional: bool = False
    density_kg_per_m3: float = 7850.0
    density_u_kg_per_m3: float = 100.0
    note: str = ""
    dof: float | None = None


@dataclass(frozen=True, slots=True)
class Arm:
    """A lever arm for calibrating, measured between the axis and where the weights hang.

    ``u_m`` is the standard uncertainty of the length. ``angle_deg`` is the angle against the horizontal,
    known to ±``angle_within_deg`` (a rectangular half width). ``dof`` are the degrees of freedom of ``u_m``,
    None for infinite ones. ``own_mass_kg`` is the mass of the empty arm, None where nobody weighed it, and
    ``own_centre_m`` the distance of its centre of gravity from the axis, positive towards the weights.
    """

    id: str
    name: str
    length_m: float
    u_m: float
    spread: Spread
    angle_deg: float = 0.0
    angle_within_deg: float = 1.0
    note: str = ""
    dof: float | None = None
    own_mass_kg: float | None = None
    own_mass_u_kg: float = 0.0
    own_centre_m: float = 0.0
    own_centre_u_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Shunt:
    """A resistor laid across one arm of the bridge, to see whether wiring and gain are as they were.

    ``bridge_ohm`` is the resistance of one arm of the bridge. ``u_`` values are standard uncertainties,
    ``spread`` the distribution behind both.
    """

    id: str
    name: str
    resistor_ohm: float
    resistor_u_ohm: float
    bridge_ohm: float
    bridge_u_ohm: float
    spread: Spread
    note: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """How a run is to be carried out; times are counted in samples, never by the wall clock.

    ``marks_s`` are the time marks after time zero at which torque is to be reported. ``rate_hz`` and
    ``gain`` of None leave the choice to the rig's settings. ``text`` is the file it came from, kept as is.
    ``thresholds_nm`` are levels of retained torque, positive, whose times are to be reported.
    """

    id: str
    name: str
    rotation: Rotation
    thread: Thread
    duty: Duty
    start: Start
    drive_s: float
    before_s: float = 1.0
    after_s: float = 1.0
    onset_limit_s: float = 20.0
    repeats: int = 1
    rest_s: float = 0.0
    zero_s: float = 1.0
    marks_s: tuple[float, ...] = ()
    rate_hz: float | None = None
    gain: int | None = None
    text: str = ""
    thresholds_nm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Session:
    """One sitting at the bench: one rig, one board, one operator, one ``cable`` (empty: not stated)."""

    id: str
    rig_id: str
    board_id: str
    started_at: str
    operator: str = ""
    ended_at: str | None = None
    software_version: str = ""
    note: str = ""
    cable: str = ""


@dataclass(frozen=True, slots=True)
class Run:
    """One recording.

    ``set_id`` joins repeats made under one condition. ``samples`` counts what lies in the chunks,
    ``samples_total`` what the converter delivered according to the board, lost ones included (None when the
    run was interrupted before the board said so). ``onset_index`` is the sample at which the tool was first
    seen to act. ``rate_hz`` is the rate measured from the board's ticks. ``seal`` is the sha256 of the
    finished run, ``None`` while it is open.
    """

    id: str
    session_id: str
    settings_id: str
    kind: RunKind
    state: RunState
    started_at: str
    wire_run_id: int
    plan_id: str | None = None
    set_id: str | None = None
    repeat: int | None = None
    tool_id: str | None = None
    supply_id: str | None = None
    supply_state: str = ""
    fitting_id: str | None = None
    ended_at: str | None = None
    end_reason: str = ""
    samples: int = 0
    samples_total: int | None = None
    first_index: int = 0
    rate_hz: float | None = None
    onset_index: int | None = None
    release_index: int | None = None
    saturated: int = 0
    seal: str | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """Where an imported recording came from, and what whoever brought it in states about it.

    ``file_hash`` is the sha256 of the file. ``channel`` is the column or channel taken, ``unit`` the unit its
    values had. ``nm_per_unit`` turns the unit of its settings into N·m, None where nobody states it, and
    ``nm_u_relative`` is the relative standard uncertainty of that, ``spread`` the distribution behind it.
    """

    id: str
    run_id: str
    file_name: str
    file_hash: str
    channel: str
    unit: str
    nm_per_unit: float | None
    nm_u_relative: float
    spread: Spread
    imported_at: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class SideChannel:
    """Another quantity recorded along with a run, at a rate of its own: supply voltage, handle acceleration.

    A count stands for (count − ``zero_counts``) · ``per_count`` in ``unit``, that of its quantity. Its sample
    0 came ``start_s`` after the run's first sample (negative: before it), known to ``start_u_s``. What may be
    off is ``u_relative`` of a value, and ``u_zero`` in the unit: standard uncertainties, like ``start_u_s``,
    ``spread`` the distribution behind them. ``file_name``, ``file_hash`` and ``column`` say where it came
    from, empty for a sensor of the board. Of several channels of one quantity the latest added holds.
    ``samples`` and ``seal`` are those of a channel that is closed.
    """

    id: str
    run_id: str
    quantity: str
    unit: str
    rate_hz: float
    start_s: float
    start_u_s: float
    per_count: float
    zero_counts: float
    u_relative: float
    u_zero: float
    spread: Spread
    saturation_low: int
    saturation_high: int
    added_at: str
    sensor: str = ""
    file_name: str = ""
    file_hash: str = ""
    column: str = ""
    note: str = ""
    samples: int = 0
    seal: str | None = None


@dataclass(frozen=True, slots=True)
class Rating:
    """How hard a run was to hold, as the one who held the tool felt it: ``score`` from 1 (not at all) to 10.

    An opinion, kept apart from what was measured. Ratings are added, never changed.
    """

    id: str
    run_id: str
    score: int
    by: str
    at: str = field(default_factory=now_utc)
    note: str = ""


@dataclass(frozen=True, slots=True)
class Zero:
    """A zero reading: tool off and seated, joint slack. ``run_id`` is the recording that holds its counts."""

    id: str
    session_id: str
    run_id: str
    taken_at: str
    mean_counts: float
    sd_counts: float
    samples: int
    joint_state: str = "slack"


@dataclass(frozen=True, slots=True)
class Calibration:
    """A dead-weight calibration for one sign of torque: facts only.

    The line from counts to N·m is computed from its load steps whenever it is used. ``sign`` is +1 for
    clockwise torque. ``u_`` values are standard uncertainties. ``linear_to_nm`` is a rated linearity of the
    transducer on record, up to which a line may be drawn beyond the hung weights. ``valid_days`` is how
    long the workshop agreed to rely on it, None where it agreed on nothing. ``course`` says in JSON which
    readings it set out to take, so that one that was stopped is known as unfinished; empty: not stated.
    """

    id: str
    session_id: str
    settings_id: str
    arm_id: str
    sign: int
    taken_at: str
    gravity_m_per_s2: float
    gravity_u_m_per_s2: float
    gravity_source: str
    air_density_kg_per_m3: float
    air_density_u_kg_per_m3: float
    linear_to_nm: float | None = None
    software_version: str = ""
    note: str = ""
    valid_days: float | None = None
    course: str = ""


@dataclass(frozen=True, slots=True)
class LoadStep:
    """One reading of a calibration: what hung, and what the converter showed meanwhile.

    ``branch`` is ``zero`` (nothing hung), ``up`` or ``down``; ``number`` counts readings in order of time,
    ``series`` and ``mounting`` from 1. ``run_id`` is the recording that holds the raw counts.
    ``drift_counts`` is the change along a straight line over the reading.
    """

    id: str
    calibration_id: str
    number: int
    series: int
    mounting: int
    branch: str
    run_id: str
    mass_ids: tuple[str, ...]
    angle_deg: float
    mean_counts: float
    sd_counts: float
    drift_counts: float
    samples: int
    taken_at: str


@dataclass(frozen=True, slots=True)
class CheckReading:
    """A known weight hung between two zeros, to see whether the rig still reads as it did: facts only.

    What it comes to is worked out with whatever calibration it is held against. ``sign`` is +1 for
    clockwise torque; ``u_`` values are standard uncertainties. Each of the three readings is the weighted
    mean of the last ``samples`` counts of its recording, and ``sd_counts`` the largest of their scatters.
    """

    id: str
    session_id: str
    settings_id: str
    arm_id: str
    mass_ids: tuple[str, ...]
    angle_deg: float
    sign: int
    taken_at: str
    gravity_m_per_s2: float
    gravity_u_m_per_s2: float
    gravity_source: str
    air_density_kg_per_m3: float
    air_density_u_kg_per_m3: float
    before_run_id: str
    load_run_id: str
    after_run_id: str
    before_counts: float
    load_counts: float
    after_counts: float
    sd_counts: float
    samples: int
    software_version: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class ShuntReading:
    """A shunt resistor laid on between two readings without it: facts only.

    ``calibration_id`` names the calibration it was taken with, None for one of a session. The three readings
    are like those of a :class:`CheckReading`.
    """

    id: str
    session_id: str
    settings_id: str
    shunt_id: str
    calibration_id: str | None
    taken_at: str
    before_run_id: str
    shunt_run_id: str
    after_run_id: str
    before_counts: float
    shunt_counts: float
    after_counts: float
    sd_counts: float
    samples: int
    software_version: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class RingDown:
    """How the rig rings when its socket end is tapped: facts; the raw counts are those of run ``run_id``.

    ``natural_hz`` is the undamped natural frequency, ``damping_ratio`` the share of critical damping, each
    the mean of ``taps`` taps, both from a decaying sinusoid; ``u_`` values are standard uncertainties
    of the means. ``decrement_ratio`` is the damping ratio from the logarithmic decrement, the second
    opinion. ``fitting_id`` names what was fitted, None for none.
    """

    id: str
    session_id: str
    run_id: str
    fitting_id: str | None
    taken_at: str
    taps: int
    natural_hz: float
    natural_u_hz: float
    damping_ratio: float
    damping_u: float
    decrement_ratio: float
    software_version: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature somebody read at the bench. ``calibration_id`` names the calibration it belongs to.

    ``place`` says where: at the transducer or in the room. ``u_c`` is a standard uncertainty.
    """

    id: str
    session_id: str
    calibration_id: str | None
    taken_at: str
    place: str
    temperature_c: float
    u_c: float


@dataclass(frozen=True, slots=True)
class Authorisation:
    """Somebody stands up for the record of a calibration, as its data were then (``data_hash``, sha256)."""

    id: str
    calibration_id: str
    at: str
    by: str
    data_hash: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Remark:
    """What a person states about a calibration, ``about`` one thing; entries are added, never changed."""

    id: str
    calibration_id: str
    at: str
    about: str
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that are missing: ``count`` of them from ``first_index``, known to ±``uncertainty``."""

    run_id: str
    first_index: int
    count: int
    cause: GapCause
    uncertainty: int = 0


@dataclass(frozen=True, slots=True)
class Notice:
    """Something worth keeping: stray text from the board, a warning, damaged frames."""

    run_id: str
    at_index: int
    kind: str
    text: str
    at: str = field(default_factory=now_utc)


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided about a run, and why; entries are added, never changed."""

    id: str
    run_id: str
    verdict: str
    reason: str
    at: str = field(default_factory=now_utc)
    by: str = ""
