"""COBS for whole captures: PyPI ``cobs`` with its C extension, or numpy where that was not built.

Without a C compiler ``cobs`` installs as pure Python, some fifty times slower. Many frames are then
unstuffed at once: the k-th code byte of all frames in one numpy step.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from cobs import cobs

HAS_EXTENSION = bool(getattr(cobs, "_using_extension", False))
"""Whether PyPI's ``cobs`` was built with its C extension."""

WORTH_NUMPY = 64
"""From this many frames on numpy beats the pure-Python decoder."""

_GROUP_FULL = 255
"""A code byte of this value ends a group that no zero follows."""

_SLICE = 4096
"""Frames unstuffed per numpy pass, which bounds the memory."""


def unstuff_all(segments: list[bytes], extension: bool = HAS_EXTENSION) -> list[bytes | None]:
    """Each segment unstuffed, None where the bytes are not COBS. No segment is empty or holds a zero."""
    if not extension and len(segments) >= WORTH_NUMPY:
        return unstuff_with_numpy(segments)
    try:
        return list(map(cobs.decode, segments))
    except cobs.DecodeError:
        return [_unstuff_or_none(segment) for segment in segments]


def _unstuff_or_none(segment: bytes) -> bytes | None:
    try:
        return bytes(cobs.decode(segment))
    except cobs.DecodeError:
        return None


def unstuff_with_numpy(segments: list[bytes]) -> list[bytes | None]:
    """As :func:`unstuff_all`, many frames at a time and without compiled code of ours."""
    found: list[bytes | None] = []
    for at in range(0, len(segments), _SLICE):
        found += _unstuff_slice(segments[at : at + _SLICE])
    return found


def _unstuff_slice(segments: list[bytes]) -> list[bytes | None]:
    stuffed = np.frombuffer(b"".join(segments), np.uint8)
    ends = np.cumsum(np.fromiter(map(len, segments), np.int64, len(segments)))
    starts = np.concatenate(([0], ends[:-1]))
    plain, kept, broken = _open_groups(stuffed, starts, ends)
    counts = np.add.reduceat(kept, starts, dtype=np.int64)
    stops = np.cumsum(counts).tolist()
    opened = plain[kept].tobytes()
    begins = [0, *stops[:-1]]
    return [
        None if bad else opened[begin:stop]
        for begin, stop, bad in zip(begins, stops, broken.tolist(), strict=True)
    ]


def _open_groups(
    stuffed: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Walk all frames from code byte to code byte in step.

    A code byte stands for a zero, except the first of a frame and one that follows a full group, which
    stand for nothing. Returns the bytes with zeros put back, which of them to keep, and which frames
    announce more bytes than they have.
    """
    plain = stuffed.copy()
    kept = np.ones(len(stuffed), np.bool_)
    broken = np.zeros(len(starts), np.bool_)
    at, end, frame = starts, ends, np.arange(len(starts))
    kept[at] = False
    while len(at):
        code = stuffed[at]
        plain[at] = 0
        following = at + code
        if (following >= end).any():
            broken[frame[following > end]] = True
            more = following < end
            code, following, end, frame = code[more], following[more], end[more], frame[more]
        if (full := code == _GROUP_FULL).any():
            kept[following[full]] = False
        at = following
    return plain, kept, broken
