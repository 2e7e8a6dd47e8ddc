"""Sample chunks as bytes and back, exactly, for any int32.

Codec 1, in order:

1. delta: each count less the one before it (the first less 0), modulo 2**32;
2. zigzag: the sign moves to the lowest bit (0, -1, 1, -2 become 0, 1, 2, 3), so that small steps of either
   sign have zeros in their high bytes;
3. byte shuffle: all lowest bytes first, then all second bytes, and so on;
4. zlib (RFC 1950) at level 1. Its search is limited to repeated bytes and its blocks to 8,192 symbols:
   in shuffled noise longer matches are not worth the time, and each of the four planes of a quarter of a
   second at 30 kS/s gets a code of its own. A reader need not know.

All integers are little-endian, whatever the machine. Only the standard library and numpy are needed, so a
chunk stays readable for as long as there is zlib.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

CODEC = 1
"""The codec new chunks are written with; its number is in every row."""

Counts = NDArray[np.int32]
_MEMORY_LEVEL = 7  # of zlib: 2**(7 + 6) symbols in a block
_WORD = np.dtype("<u4")


class CodecError(ValueError):
    """Bytes that are no chunk of the codec they claim."""


def encode(counts: Counts) -> bytes:
    """Pack ``counts`` (int32, shape (n,), n >= 0) with codec 1."""
    shuffled = np.ascontiguousarray(_zigzag(_delta(counts)).view(np.uint8).reshape(-1, 4).T)
    packer = zlib.compressobj(level=1, memLevel=_MEMORY_LEVEL, strategy=zlib.Z_RLE)
    return packer.compress(shuffled.data) + packer.flush()


def decode(data: bytes, count: int, codec: int = CODEC) -> Counts:
    """Unpack ``count`` samples from ``data`` as an int32 array of shape (count,).

    Raises:
        CodecError: the codec is unknown, the bytes are no zlib stream, or hold another number of samples.
    """
    if codec != CODEC:
        raise CodecError(f"codec {codec} is unknown, this program reads codec {CODEC}")
    try:
        shuffled = zlib.decompress(data)
    except zlib.error as error:
        raise CodecError(f"no readable zlib stream ({error})") from error
    if len(shuffled) != 4 * count:
        raise CodecError(f"{len(shuffled)} bytes unpacked, {4 * count} expected for {count} samples")
    words = np.frombuffer(shuffled, np.uint8).reshape(4, -1).T
    return _running_sum(_unzigzag(np.ascontiguousarray(words).view(_WORD).ravel()))


def checksum(data: bytes) -> int:
    """CRC-32/ISO-HDLC of the packed bytes, as stored beside them."""
    return zlib.crc32(data)


def _delta(counts: Counts) -> NDArray[np.uint32]:
    words = np.ascontiguousarray(counts, "<i4").view(_WORD)
    steps = words.copy()
    steps[1:] -= words[:-1]
    return steps


def _running_sum(steps: NDArray[np.uint32]) -> Counts:
    return np.cumsum(steps, dtype=np.uint32).view(np.int32)


def _zigzag(steps: NDArray[np.uint32]) -> NDArray[np.uint32]:
    folded: NDArray[np.uint32] = (steps << 1) ^ np.negative(steps >> 31)
    return folded


def _unzigzag(folded: NDArray[np.uint32]) -> NDArray[np.uint32]:
    steps: NDArray[np.uint32] = (folded >> 1) ^ np.negative(folded & 1)
    return steps
