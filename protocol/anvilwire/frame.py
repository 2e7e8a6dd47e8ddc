"""Frames: a header, a payload and a CRC-32, stuffed and set between zeros.

``0x00  COBS(version, kind, flags, sequence, payload, CRC-32)  0x00``, all integers little-endian, the CRC
(CRC-32/ISO-HDLC) over the unstuffed bytes before it. The zero in front closes off whatever text came
before, so a frame never merges with it.
"""

import binascii
import struct

from anvilwire.stuffing import stuff, unstuff

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from anvilwire.stuffing import Bytes

VERSION = 1
"""Version of the wire protocol. 3 is never assigned: see ESCAPES."""

HEADER = "<BBBH"
HEADER_SIZE = 5
CRC_SIZE = 4
OVERHEAD = HEADER_SIZE + CRC_SIZE

MAX_FRAME = 1100
"""Most unstuffed bytes of a frame, header and CRC included."""
MAX_REQUEST = 128
"""Most unstuffed bytes of a frame from host to board."""
MAX_NOTICE = 4096
"""Most bytes of stray text kept as one notice; a segment between zeros that grows longer is dropped."""

ESCAPES = (b"\r\x03", b"\x03\x03")
"""How a terminal asks the board for its prompt. As a frame either would have version 3."""

DELIMITER = b"\x00"


class FrameError(ValueError):
    """A frame that is too short, too long or fails its CRC."""


class Frame:
    """One intact frame. ``version`` is whatever its sender speaks: the caller decides what to make of it."""

    __slots__ = ("flags", "kind", "payload", "sequence", "version")

    def __init__(self, version: int, kind: int, flags: int, sequence: int, payload: bytes) -> None:
        self.version = version
        self.kind = kind
        self.flags = flags
        self.sequence = sequence
        self.payload = payload

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Frame) and self._fields() == other._fields()

    def __hash__(self) -> int:
        return hash(self._fields())

    def __repr__(self) -> str:
        return "Frame(version=%d, kind=0x%02x, flags=%d, sequence=%d, payload=%r)" % self._fields()

    def _fields(self) -> "tuple[int, int, int, int, bytes]":
        return (self.version, self.kind, self.flags, self.sequence, self.payload)


def crc32(data: "Bytes") -> int:
    """CRC-32/ISO-HDLC of ``data`` as an unsigned integer."""
    return binascii.crc32(data) & 0xFFFFFFFF


def seal_into(buffer: bytearray, count: int) -> int:
    """Write the CRC of ``buffer[:count]`` behind it; return the new length."""
    struct.pack_into("<I", buffer, count, crc32(memoryview(buffer)[:count]))
    return count + CRC_SIZE


def is_sealed(buffer: "Bytes", count: int) -> bool:
    """Whether the last four of ``buffer[:count]`` are the CRC of the bytes before them."""
    if count < CRC_SIZE:
        return False
    (stored,) = struct.unpack_from("<I", buffer, count - CRC_SIZE)
    return bool(stored == crc32(memoryview(buffer)[: count - CRC_SIZE]))


def build(kind: int, sequence: int, payload: bytes = b"", flags: int = 0, version: int = VERSION) -> bytes:
    """The bytes of a frame as they go over the wire, both delimiters included."""
    if len(payload) + OVERHEAD > MAX_FRAME:
        raise FrameError("payload of %d bytes; a frame holds %d" % (len(payload), MAX_FRAME - OVERHEAD))
    raw = struct.pack(HEADER, version, kind, flags, sequence & 0xFFFF) + payload
    return DELIMITER + stuff(raw + struct.pack("<I", crc32(raw))) + DELIMITER


def parse(raw: bytes) -> Frame:
    """The :class:`Frame` in unstuffed bytes ``raw``; raises :class:`FrameError`."""
    if len(raw) < OVERHEAD:
        raise FrameError("%d bytes; the shortest frame has %d" % (len(raw), OVERHEAD))
    if len(raw) > MAX_FRAME:
        raise FrameError("%d bytes; the longest frame has %d" % (len(raw), MAX_FRAME))
    if not is_sealed(raw, len(raw)):
        raise FrameError("CRC does not match")
    version, kind, flags, sequence = struct.unpack(HEADER, raw[:HEADER_SIZE])
    return Frame(version, kind, flags, sequence, raw[HEADER_SIZE:-CRC_SIZE])


def looks_like_text(data: bytes) -> bool:
    """Whether ``data`` is printable ASCII with line ends and tabs: a boot message, a traceback."""
    return all(32 <= byte < 127 or byte in (9, 10, 13) for byte in data)


class FrameReader:
    """Finds frames in a stream chopped anywhere.

    After damage it goes on at the next zero, so only the damaged frame is lost. Text between frames is
    kept in ``notices`` until taken. ``frames``, ``damaged`` (segments that were neither frame nor text),
    ``dropped_bytes`` (their length) and ``missed`` (frames absent from the sequence) count from the start.
    A segment longer than any frame is dropped as it grows, so memory is bounded.

    ``unstuff`` may be replaced by a faster one with the same meaning; it may raise any ValueError.
    """

    def __init__(self, unstuff: "Callable[[bytes], bytes]" = unstuff) -> None:
        self._unstuff = unstuff
        self._tail = b""
        self._overlong = 0
        self._next_sequence: "int | None" = None
        self.notices: "list[str]" = []
        self.frames = 0
        self.damaged = 0
        self.dropped_bytes = 0
        self.missed = 0

    def feed(self, data: bytes) -> "list[Frame]":
        """Take the next bytes; return the list of frames they completed."""
        segments = (self._tail + data).split(DELIMITER)
        self._tail = segments.pop()
        found: "list[Frame]" = []
        for segment in segments:
            if self._overlong:
                self._drop(self._overlong + len(segment))
                self._overlong = 0
            elif segment:
                self._take(segment, found)
        if self._overlong or len(self._tail) > MAX_NOTICE:
            self._overlong += len(self._tail)
            self._tail = b""
        return found

    def pending(self) -> bytes:
        """Bytes of a segment that is not complete yet."""
        return self._tail

    def flush(self) -> None:
        """Give up on the incomplete segment (the stream ended): keep it as text or count it as damage."""
        tail, self._tail = self._tail, b""
        if self._overlong:
            self._drop(self._overlong + len(tail))
            self._overlong = 0
        elif tail:
            self._keep_or_drop(tail)

    def take_notices(self) -> "list[str]":
        """The texts found since the last call."""
        notices, self.notices = self.notices, []
        return notices

    def _take(self, segment: bytes, found: "list[Frame]") -> None:
        try:
            frame = parse(self._unstuff(segment))
        except ValueError:
            self._keep_or_drop(segment)
            return
        if self._next_sequence is not None:
            ahead = (frame.sequence - self._next_sequence) & 0xFFFF
            if ahead < 0x8000:  # else the sender started again
                self.missed += ahead
        self._next_sequence = (frame.sequence + 1) & 0xFFFF
        self.frames += 1
        found.append(frame)

    def _keep_or_drop(self, segment: bytes) -> None:
        if len(segment) <= MAX_NOTICE and looks_like_text(segment):
            self.notices.append(bytes(segment).decode())
        else:
            self._drop(len(segment))

    def _drop(self, count: int) -> None:
        self.damaged += 1
        self.dropped_bytes += count
