"""From bytes off the line to sample blocks, many frames at a time.

:class:`StreamReader` finds, keeps and counts exactly what ``anvilwire.frame.FrameReader`` does (the tests
hold one against the other), but hands out the sample blocks of a read as one table and one array. The
live path and :func:`decode_capture` are the same code.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from anviltrace.link.unstuffing import HAS_EXTENSION, unstuff_all
from anvilwire import messages
from anvilwire.frame import (
    CRC_SIZE,
    DELIMITER,
    HEADER_SIZE,
    MAX_FRAME,
    MAX_NOTICE,
    OVERHEAD,
    VERSION,
    Frame,
    looks_like_text,
    parse,
)

CRC_RESIDUE = 0x2144DF1C
"""CRC-32/ISO-HDLC over data followed by its own CRC, least significant byte first."""

_TYPES = {"B": "u1", "H": "<u2", "I": "<u4"}

BLOCK_TABLE = np.dtype([(name, _TYPES[code]) for name, code in messages.FIELDS[messages.BLOCK]])
"""A row a block: the fields of its header, as ``anvilwire.messages`` lists them."""

_SAMPLES_AT = HEADER_SIZE + messages.BLOCK_HEADER_SIZE
_BLOCK_OVERHEAD = _SAMPLES_AT + CRC_SIZE
_PADDING = bytes(_BLOCK_OVERHEAD)
"""Behind the last frame, so that a header may be read from a block too short to have one."""

Ints = npt.NDArray[np.int64]
Samples = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Batch:
    """What one read completed.

    ``blocks`` (dtype :data:`BLOCK_TABLE`) and ``samples`` (int32 counts of all blocks, in order; channels
    interleaved) belong together: ``blocks["count"] * blocks["channels"]`` samples each. ``frames`` are all
    other frames, each with the number of ``blocks`` that came before it. ``notices`` is stray text.
    """

    blocks: npt.NDArray[np.void] = field(default_factory=lambda: np.empty(0, BLOCK_TABLE))
    samples: Samples = field(default_factory=lambda: np.empty(0, np.int32))
    frames: tuple[tuple[int, Frame], ...] = ()
    notices: tuple[str, ...] = ()


class StreamReader:
    """Finds frames in a stream chopped anywhere; goes on at the next zero after damage.

    ``frames``, ``damaged`` (segments that were neither frame nor text), ``dropped_bytes`` (their length),
    ``missed`` (frames absent from the sequence) and ``malformed`` (intact blocks whose length contradicts
    their header; they are left out) count from the start.
    """

    def __init__(self, extension: bool = HAS_EXTENSION) -> None:
        self._extension = extension
        self._tail = b""
        self._overlong = 0
        self._last_sequence: int | None = None
        self._notices: list[str] = []
        self.frames = 0
        self.damaged = 0
        self.dropped_bytes = 0
        self.missed = 0
        self.malformed = 0

    def feed(self, data: bytes) -> Batch:
        """Take the next bytes; return what they completed."""
        return self._decode(self._complete_segments(data))

    def flush(self) -> Batch:
        """The stream ended: keep the incomplete segment as text or count it as damage."""
        tail, self._tail = self._tail, b""
        if self._overlong:
            self._drop(self._overlong + len(tail))
            self._overlong = 0
        elif tail:
            self._keep_or_drop(tail)
        return Batch(notices=self._take_notices())

    def _complete_segments(self, data: bytes) -> list[bytes]:
        segments = (self._tail + data).split(DELIMITER)
        self._tail = segments.pop()
        if self._overlong and segments:
            self._drop(self._overlong + len(segments.pop(0)))
            self._overlong = 0
        if self._overlong or len(self._tail) > MAX_NOTICE:
            self._overlong += len(self._tail)
            self._tail = b""
        if not any(segments[::2]):  # the zero in front of a frame makes every other piece empty
            segments = segments[1::2]
        return list(filter(None, segments))

    def _decode(self, segments: list[bytes]) -> Batch:
        raws, lengths = self._intact(segments)
        if not raws:
            return Batch(notices=self._take_notices())
        self.frames += len(raws)
        buffer = b"".join([*raws, _PADDING])
        starts = np.cumsum(lengths) - lengths
        octets = np.frombuffer(buffer, np.uint8)
        self._follow_sequence(octets, starts)
        is_block = (octets[starts] == VERSION) & (octets[starts + 1] == messages.BLOCK)
        rows, blocks, samples = self._blocks(buffer, starts, lengths, is_block.nonzero()[0])
        others = (~is_block).nonzero()[0]
        before = np.searchsorted(rows, others).tolist()
        frames = tuple(zip(before, (parse(raws[i]) for i in others), strict=True))
        return Batch(blocks, samples, frames, self._take_notices())

    def _intact(self, segments: list[bytes]) -> tuple[list[bytes], Ints]:
        """The unstuffed frames of sane length and right CRC, and their lengths; the rest: text, damage."""
        raws = unstuff_all(segments, self._extension)
        if None not in raws:
            lengths = _lengths(raws)  # type: ignore[arg-type]
            checks = list(map(zlib.crc32, raws))  # type: ignore[arg-type]
            sane = len(raws) == 0 or (lengths.min() >= OVERHEAD and lengths.max() <= MAX_FRAME)
            if sane and checks.count(CRC_RESIDUE) == len(raws):
                return raws, lengths  # type: ignore[return-value]
        intact = []
        for segment, raw in zip(segments, raws, strict=True):
            if raw is not None and OVERHEAD <= len(raw) <= MAX_FRAME and zlib.crc32(raw) == CRC_RESIDUE:
                intact.append(raw)
            else:
                self._keep_or_drop(segment)
        return intact, _lengths(intact)

    def _follow_sequence(self, octets: npt.NDArray[np.uint8], starts: Ints) -> None:
        """Count the frames missing from the 16-bit sequence; a step back means that the sender restarted."""
        sequence = np.empty(len(starts) + 1, np.int64)
        sequence[1:] = octets[starts + 3] + 256 * octets[starts + 4].astype(np.int64)
        sequence[0] = sequence[1] - 1 if self._last_sequence is None else self._last_sequence
        self._last_sequence = int(sequence[-1])
        ahead = (sequence[1:] - sequence[:-1] - 1) & 0xFFFF
        if ahead.any():
            self.missed += int(ahead[ahead < 0x8000].sum())

    def _blocks(
        self, buffer: bytes, starts: Ints, lengths: Ints, rows: Ints
    ) -> tuple[Ints, npt.NDArray[np.void], Samples]:
        """Those of the frames ``rows`` that are as long as their block headers say; headers and samples."""
        at, length = starts[rows], lengths[rows]
        table = _block_table(buffer, at, length)
        widths = table["sample_bytes"].astype(np.int64)
        values = table["count"].astype(np.int64) * table["channels"]
        good = (values * widths == length - _BLOCK_OVERHEAD) & (widths >= 2) & (widths <= 4)
        if not good.all():
            self.malformed += int(np.count_nonzero(~good))
            return self._blocks(buffer, starts, lengths, rows[good])
        return rows, table, _unpack(buffer, at, length, widths)

    def _keep_or_drop(self, segment: bytes) -> None:
        if len(segment) <= MAX_NOTICE and looks_like_text(segment):
            self._notices.append(segment.decode())
        else:
            self._drop(len(segment))

    def _drop(self, count: int) -> None:
        self.damaged += 1
        self.dropped_bytes += count

    def _take_notices(self) -> tuple[str, ...]:
        notices, self._notices = tuple(self._notices), []
        return notices


def _lengths(raws: list[bytes]) -> Ints:
    return np.fromiter(map(len, raws), np.int64, len(raws))


def _runs(starts: Ints, lengths: Ints, *keys: Ints) -> Iterator[tuple[slice, int]]:
    """Stretches of frames that follow each other in the buffer, as long as each other and alike in ``keys``.

    Gives their rows and the distance from one to the next.
    """
    if not len(starts):
        return
    breaks = np.zeros(len(starts), np.bool_)
    breaks[1:] = starts[1:] != starts[:-1] + lengths[:-1]
    for key in (lengths, *keys):
        breaks[1:] |= key[1:] != key[:-1]
    edges = [0, *breaks.nonzero()[0].tolist(), len(starts)]
    for first, stop in pairwise(edges):
        yield slice(first, stop), int(lengths[first])


def _block_table(buffer: bytes, starts: Ints, lengths: Ints) -> npt.NDArray[np.void]:
    """The headers of the block frames at ``starts``, one row each."""
    whole = np.dtype(f"V{BLOCK_TABLE.itemsize}")  # copied as a lump, not field by field
    heads = np.empty(len(starts), whole)
    for run, spacing in _runs(starts, lengths):
        offset = int(starts[run.start]) + HEADER_SIZE
        heads[run] = np.ndarray((run.stop - run.start,), whole, buffer, offset, (spacing,))
    return heads.view(BLOCK_TABLE)


def _unpack(buffer: bytes, starts: Ints, lengths: Ints, widths: Ints) -> Samples:
    """The little-endian two's complement samples of the block frames at ``starts``.

    A 24-bit sample is read, unaligned, as the upper three bytes of the 32-bit word that begins one byte
    before it, and shifted down: the byte in front of the first is the last of the header.
    """
    stops = np.cumsum((lengths - _BLOCK_OVERHEAD) // widths)
    samples = np.empty(int(stops[-1]) if len(stops) else 0, np.int32)
    done = 0
    for run, spacing in _runs(starts, lengths, widths):
        rows, width = run.stop - run.start, int(widths[run.start])
        shape = (rows, (spacing - _BLOCK_OVERHEAD) // width)
        into = samples[done : int(stops[run.stop - 1])].reshape(shape)
        done += into.size
        offset = int(starts[run.start]) + _SAMPLES_AT
        if width == 3:
            words = np.ndarray(shape, "<i4", buffer, offset - 1, (spacing, width))
            np.right_shift(words, 8, out=into)
        else:
            into[...] = np.ndarray(shape, f"<i{width}", buffer, offset, (spacing, width))
    return samples


@dataclass(frozen=True, slots=True)
class Capture:
    """A whole recorded stream, decoded: see :class:`Batch` and :class:`StreamReader` for the parts."""

    blocks: npt.NDArray[np.void]
    samples: Samples
    frames: tuple[tuple[int, Frame], ...]
    notices: tuple[str, ...]
    damaged: int
    dropped_bytes: int
    missed: int
    malformed: int
    lost_blocks: int
    missing_samples: int


def decode_capture(data: bytes, extension: bool = HAS_EXTENSION) -> Capture:
    """Decode the recorded bytes of one run.

    ``lost_blocks`` counts block numbers that are absent between the first and the last block,
    ``missing_samples`` sample indices that no block covers between them.
    """
    reader = StreamReader(extension)
    batch = reader.feed(data)
    rest = reader.flush()
    number, first = batch.blocks["number"].astype(np.int64), batch.blocks["first_index"].astype(np.int64)
    ends = first + batch.blocks["count"]
    return Capture(
        batch.blocks,
        batch.samples,
        batch.frames,
        batch.notices + rest.notices,
        reader.damaged,
        reader.dropped_bytes,
        reader.missed,
        reader.malformed,
        lost_blocks=int((np.diff(number) - 1).sum()),
        missing_samples=int((first[1:] - ends[:-1]).sum()),
    )
