"""Every message: its number, its fields, how they are packed. SPEC.md says what they mean.

A field's code is a ``struct`` code, or ``s`` (text after a length byte), ``t`` (text after a two-byte
length), ``b`` (bytes after a length byte), or a tuple of fields (a count byte, then that many rows).
"""

import struct

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from anvilwire.stuffing import Bytes

    Fields = tuple[tuple[str, Any], ...]

# host to board: requests, answered by the same number with 0x40 added, or by REFUSED
IDENTITY = 0x01
CONFIGURE = 0x02
START = 0x03
STOP = 0x04
RESEND = 0x05
QUIT = 0x06
HOST_ALIVE = 0x07  # a heartbeat: carries no id and gets no answer
BURST = 0x08

# board to host
IDENTIFIED = 0x41
CONFIGURED = 0x42
STARTED = 0x43
FINISHED = 0x44
RESENDING = 0x45
QUITTING = 0x46
CAPTURING = 0x48
REFUSED = 0x7F
BLOCK = 0x80
BOARD_ALIVE = 0x81
ERROR = 0x82

# side sensors: what they are, and their samples
SENSOR = 0x10
SENSOR_IS = 0x50
SIDE = 0x83
NO_SUCH_SENSOR = 16
"""REFUSED.code beside those below."""
SENSOR_FAULT = 16
"""ERROR.code beside FINISHED.reason: a side sensor failed, the run goes on without it."""
SIDE_HEADER = "<HBHIIIHBBI"
SIDE_HEADER_SIZE = 25
SIDE_AFTER_LOSS = 0x0002
"""In SIDE.flags: the sensor lost samples just before these."""
SIDE_AGE_S = 0.25

# REFUSED.code
UNKNOWN_REQUEST = 1
MALFORMED = 2
WRONG_VERSION = 3
BUSY = 4
NOT_ON_OFFER = 5
NOT_CONFIGURED = 6
OTHER_SETTINGS = 7
CONVERTER_SILENT = 8
NOT_SUPPORTED = 9
NO_SUCH_RUN = 10
NO_SUCH_BURST = 11

# FINISHED.reason
ASKED = 1
HOST_SILENT = 2
CONVERTER_FAULT = 3
INDEX_LIMIT = 4
INTERNAL_ERROR = 5
BURST_FULL = 6

# state in IDENTIFIED and BOARD_ALIVE
IDLE = 0
STREAMING = 1

# trigger in BURST
TRIGGER_AT_ONCE = 0
TRIGGER_ON_LEVEL = 1
NO_TRIGGER = 0x3FFFFFFF
"""trigger_index of a run in which nothing triggered."""
LEVEL_LIMIT_COUNTS = 1 << 24

# scale_kind and excitation_source
SCALE_RATIO = 0
SCALE_VOLTAGE = 1
EXCITATION_IS_REFERENCE = 0
EXCITATION_NOMINAL = 1
EXCITATION_MEASURED = 2

# BLOCK.flags
BLOCK_SATURATED = 0x0001
BLOCK_AFTER_LOSS = 0x0002
BLOCK_GLITCH = 0x0004

BLOCK_HEADER = "<HIIIIHBBHIH"
BLOCK_HEADER_SIZE = 30
BLOCK_SAMPLES = 256
"""Most samples in a block."""
INDEX_LIMIT_SAMPLES = 0x3FFFFFFF
"""A run ends before the sample index needs more than 30 bits (9.9 h at 30 kS/s)."""

TICK_BITS = 30
TICK_HZ = 1_000_000

# seconds
HOST_ALIVE_S = 0.5
BOARD_ALIVE_S = 0.5
DEADMAN_S = 3.0
BLOCK_AGE_S = 0.05

FIELDS: "dict[int, Fields]" = {
    IDENTITY: (("request_id", "B"),),
    CONFIGURE: (("request_id", "B"), ("rate_mhz", "I"), ("gain", "H")),
    START: (("request_id", "B"), ("settings_id", "H"), ("run_id", "H")),
    STOP: (("request_id", "B"), ("run_id", "H")),
    RESEND: (("request_id", "B"), ("run_id", "H"), ("block_number", "I"), ("count", "H")),
    QUIT: (("request_id", "B"),),
    HOST_ALIVE: (),
    BURST: (
        ("request_id", "B"),
        ("settings_id", "H"),
        ("run_id", "H"),
        ("trigger", "B"),
        ("level_counts", "I"),
        ("before_blocks", "H"),
        ("blocks", "H"),
    ),
    IDENTIFIED: (
        ("request_id", "B"),
        ("protocol_version", "B"),
        ("firmware_major", "B"),
        ("firmware_minor", "B"),
        ("firmware_patch", "B"),
        ("unique_id", "8s"),
        ("state", "B"),
        ("tick_bits", "B"),
        ("tick_hz", "I"),
        ("max_frame", "H"),
        ("max_request", "H"),
        ("block_samples", "H"),
        ("converter_ok", "B"),
        ("code_bits", "B"),
        ("scale_kind", "B"),
        ("full_scale_code", "I"),
        ("saturation_low", "i"),
        ("saturation_high", "i"),
        ("excitation_uv", "I"),
        ("excitation_source", "B"),
        ("board", "s"),
        ("converter", "s"),
        ("rates", (("rate_mhz", "I"), ("group_delay_ns", "I"))),
        ("gains", (("gain", "H"), ("full_scale_nano", "Q"))),
        ("window_blocks", "H"),
        ("burst_samples", "I"),
        ("link_bytes_per_s", "I"),
        ("sensors", "B"),
    ),
    CONFIGURED: (
        ("request_id", "B"),
        ("settings_id", "H"),
        ("rate_mhz", "I"),
        ("gain", "H"),
        ("group_delay_ns", "I"),
        ("full_scale_nano", "Q"),
        ("full_scale_code", "I"),
        ("code_bits", "B"),
        ("sample_bytes", "B"),
        ("channels", "B"),
        ("registers", "b"),
        ("saturation_low", "i"),
        ("saturation_high", "i"),
    ),
    STARTED: (("request_id", "B"), ("settings_id", "H"), ("run_id", "H"), ("tick", "I")),
    FINISHED: (
        ("request_id", "B"),
        ("run_id", "H"),
        ("reason", "B"),
        ("blocks", "I"),
        ("next_index", "I"),
        ("lost", "I"),
        ("saturated", "I"),
        ("unsent_blocks", "I"),
        ("bad_requests", "H"),
        ("first_block", "I"),
        ("trigger_index", "I"),
    ),
    RESENDING: (
        ("request_id", "B"),
        ("run_id", "H"),
        ("block_number", "I"),
        ("count", "H"),
        ("oldest", "I"),
        ("next", "I"),
    ),
    QUITTING: (("request_id", "B"),),
    CAPTURING: (("request_id", "B"), ("settings_id", "H"), ("run_id", "H"), ("tick", "I")),
    REFUSED: (("request_id", "B"), ("request_kind", "B"), ("code", "B"), ("text", "s")),
    BLOCK: (
        ("run_id", "H"),
        ("number", "I"),
        ("first_index", "I"),
        ("tick_first", "I"),
        ("tick_last", "I"),
        ("count", "H"),
        ("sample_bytes", "B"),
        ("channels", "B"),
        ("flags", "H"),
        ("lost", "I"),
        ("settings_id", "H"),
    ),
    BOARD_ALIVE: (
        ("state", "B"),
        ("run_id", "H"),
        ("tick", "I"),
        ("next_index", "I"),
        ("lost", "I"),
        ("bad_requests", "H"),
    ),
    ERROR: (("code", "B"), ("text", "t")),
    SENSOR: (("request_id", "B"), ("sensor", "B")),
    SENSOR_IS: (
        ("request_id", "B"),
        ("sensor", "B"),
        ("ok", "B"),
        ("name", "s"),
        ("text", "s"),
        ("rate_mhz", "I"),
        ("sample_bytes", "B"),
        ("registers", "b"),
        (
            "channels",
            (
                ("quantity", "s"),
                ("unit", "s"),
                ("per_count_nano", "q"),
                ("zero_counts", "i"),
                ("saturation_low", "i"),
                ("saturation_high", "i"),
                ("delay_ns", "I"),
                ("delay_within_ns", "I"),
                ("within_ppm", "I"),
                ("within_zero_nano", "Q"),
            ),
        ),
    ),
    SIDE: (
        ("run_id", "H"),
        ("sensor", "B"),
        ("flags", "H"),
        ("first_index", "I"),
        ("tick", "I"),
        ("late_us", "I"),
        ("count", "H"),
        ("sample_bytes", "B"),
        ("channels", "B"),
        ("lost", "I"),
    ),
}

NAMES = {
    IDENTITY: "IDENTITY",
    CONFIGURE: "CONFIGURE",
    START: "START",
    STOP: "STOP",
    RESEND: "RESEND",
    QUIT: "QUIT",
    HOST_ALIVE: "HOST_ALIVE",
    BURST: "BURST",
    IDENTIFIED: "IDENTIFIED",
    CONFIGURED: "CONFIGURED",
    STARTED: "STARTED",
    FINISHED: "FINISHED",
    RESENDING: "RESENDING",
    QUITTING: "QUITTING",
    CAPTURING: "CAPTURING",
    REFUSED: "REFUSED",
    BLOCK: "BLOCK",
    BOARD_ALIVE: "BOARD_ALIVE",
    ERROR: "ERROR",
    SENSOR: "SENSOR",
    SENSOR_IS: "SENSOR_IS",
    SIDE: "SIDE",
}

FROZEN_IDENTITY_FIELDS = 6
"""This many first fields of IDENTIFIED stay as they are in every version of the protocol."""


# MicroPython's struct raises ValueError and has no error of its own
_DOES_NOT_FIT = (getattr(struct, "error", ValueError), ValueError, OverflowError)


class MessageError(ValueError):
    """A payload too short for its fields, or a value that does not fit its field."""


def pack(kind: int, **values: "Any") -> bytes:
    """The payload of message ``kind``. For BLOCK and SIDE this is the header only: samples follow it."""
    try:
        return _pack_fields(FIELDS[kind], values)
    except _DOES_NOT_FIT as error:
        raise MessageError("message 0x%02x: %s" % (kind, error)) from error


def unpack(kind: int, payload: "Bytes") -> "dict[str, Any]":
    """The fields of message ``kind`` as a dict.

    Bytes after the last field are allowed (a later version may add fields); too few raise MessageError.
    An unknown ``kind`` is a KeyError: skip what you do not know.
    """
    try:
        values, _ = _unpack_fields(FIELDS[kind], payload, 0)
    except UnicodeError as error:
        raise MessageError("message 0x%02x: text that is not UTF-8" % kind) from error
    return values


def unpack_frozen_identity(payload: "Bytes") -> "dict[str, Any]":
    """The first fields of IDENTIFIED, readable whatever protocol version the board speaks."""
    values, _ = _unpack_fields(FIELDS[IDENTIFIED][:FROZEN_IDENTITY_FIELDS], payload, 0)
    return values


def _pack_fields(fields: "Fields", values: "dict[str, Any]") -> bytes:
    parts = []
    for name, code in fields:
        value = values[name]
        if isinstance(code, tuple):
            parts.append(struct.pack("<B", len(value)))
            parts.extend([_pack_fields(code, row) for row in value])
        elif code in ("s", "t", "b"):
            data = bytes(value) if code == "b" else value.encode()
            length = "<H" if code == "t" else "<B"
            limit = 0xFFFF if code == "t" else 0xFF
            data = data[:limit]
            parts.append(struct.pack(length, len(data)) + data)
        else:
            parts.append(struct.pack("<" + code, value))
    return b"".join(parts)


def _unpack_fields(fields: "Fields", data: "Bytes", at: int) -> "tuple[dict[str, Any], int]":
    values: "dict[str, Any]" = {}
    for name, code in fields:
        if isinstance(code, tuple):
            count, at = _take(data, at, "B")
            rows = []
            for _ in range(count):
                row, at = _unpack_fields(code, data, at)
                rows.append(row)
            values[name] = rows
        elif code in ("s", "t", "b"):
            count, at = _take(data, at, "H" if code == "t" else "B")
            if at + count > len(data):
                raise MessageError("field %s: %d bytes announced, %d there" % (name, count, len(data) - at))
            raw = bytes(data[at : at + count])
            values[name] = raw if code == "b" else raw.decode()
            at += count
        else:
            values[name], at = _take(data, at, code)
    return values, at


def _take(data: "Bytes", at: int, code: str) -> "tuple[Any, int]":
    size = struct.calcsize("<" + code)
    if at + size > len(data):
        raise MessageError("%d bytes where %d are needed" % (len(data), at + size))
    return struct.unpack("<" + code, data[at : at + size])[0], at + size
