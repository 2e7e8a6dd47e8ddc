"""The loops that must be fast on the board, as viper code.

``stuff_into`` and ``seal_into`` have plain twins of the same name in ``anvilwire``; tests prove that they
agree. All numbers stay below 2^24, so nothing here makes an integer object on a 32-bit board, and the
arithmetic is the same for any word size.
"""

from array import array

import micropython

TYPE_CHECKING = False
if TYPE_CHECKING:
    ptr8 = bytearray
    ptr16 = array[int]


def _make_table() -> "array[int]":
    """CRC-32 (reflected polynomial 0xEDB88320) a byte at a time: 256 low halves, then 256 high halves."""
    table = array("H", bytearray(1024))
    for byte in range(256):
        low = byte
        high = 0
        for _ in range(8):
            carry = low & 1
            low = (low >> 1) | ((high & 1) << 15)
            high >>= 1
            if carry:
                low ^= 0x8320
                high ^= 0xEDB8
        table[byte] = low
        table[256 + byte] = high
    return table


_TABLE = _make_table()


@micropython.viper
def _crc_into(buffer: ptr8, count: int, table: ptr16, out: ptr8, at: int):
    low = 0xFFFF
    high = 0xFFFF
    for i in range(count):
        k = (low ^ buffer[i]) & 255
        low = ((low >> 8) | ((high & 255) << 8)) ^ table[k]
        high = (high >> 8) ^ table[256 + k]
    low ^= 0xFFFF
    high ^= 0xFFFF
    out[at] = low & 255
    out[at + 1] = low >> 8
    out[at + 2] = high & 255
    out[at + 3] = high >> 8


_crc = bytearray(4)


def seal_into(buffer: bytearray, count: int) -> int:
    """Write the CRC-32 of ``buffer[:count]`` behind it, little-endian; return the new length."""
    _crc_into(buffer, count, _TABLE, buffer, count)
    return count + 4


def is_sealed(buffer: bytearray, count: int) -> bool:
    """Whether the last four of ``buffer[:count]`` are the CRC-32 of the bytes before them."""
    if count < 4:
        return False
    _crc_into(buffer, count - 4, _TABLE, _crc, 0)
    for i in range(4):
        if _crc[i] != buffer[count - 4 + i]:
            return False
    return True


@micropython.viper
def stuff_into(source: ptr8, count: int, target: ptr8, start: int) -> int:
    """COBS ``source[:count]`` into ``target`` from ``start``; return the index after the last byte."""
    group = start
    out = start + 1
    code = 1
    for i in range(count):
        byte = source[i]
        if byte != 0:
            target[out] = byte
            out += 1
            code += 1
        if byte == 0 or (code == 255 and i + 1 < count):
            target[group] = code
            group = out
            out += 1
            code = 1
    target[group] = code
    return out


def frame_into(raw: bytearray, count: int, wire: bytearray) -> int:
    """Seal ``raw[:count]`` (four more bytes) and write the frame to ``wire``; return its length."""
    end = stuff_into(raw, seal_into(raw, count), wire, 1)
    wire[0] = 0
    wire[end] = 0
    return end + 1


@micropython.viper
def take_samples(ring: ptr8, first: int, count: int, target: ptr8, at: int) -> int:
    """Copy ``count`` samples of 3 bytes, most significant first, from the ring to ``target``, reversed.

    ``first`` is the number of the first sample in the ring; the caller sees to it that the samples do not
    pass the ring's end. Returns how many are at either end of the 24-bit scale.
    """
    saturated = 0
    source = first * 3
    for _ in range(count):
        top = ring[source]
        middle = ring[source + 1]
        bottom = ring[source + 2]
        target[at] = bottom
        target[at + 1] = middle
        target[at + 2] = top
        if top == 0x7F and middle == 0xFF and bottom == 0xFF:
            saturated += 1
        if top == 0x80 and middle == 0 and bottom == 0:
            saturated += 1
        source += 3
        at += 3
    return saturated


@micropython.viper
def mean_of(raw: ptr8, at: int) -> int:
    """Mean of 256 samples of 3 bytes, least significant first, from ``raw[at]`` on; rounded down.

    Summed in groups of 64, so that the sum of the largest codes stays below 2^30.
    """
    mean = 0
    for _ in range(4):
        total = 0
        for _ in range(64):
            code = raw[at] | (raw[at + 1] << 8) | (raw[at + 2] << 16)
            if code >= 0x800000:
                code -= 0x1000000
            total += code
            at += 3
        mean += total >> 6
    return mean >> 2


@micropython.viper
def first_beyond(raw: ptr8, at: int, count: int, low: int, high: int) -> int:
    """Number of the first of ``count`` samples from ``raw[at]`` on below ``low`` or above ``high``, or -1."""
    for i in range(count):
        code = raw[at] | (raw[at + 1] << 8) | (raw[at + 2] << 16)
        if code >= 0x800000:
            code -= 0x1000000
        if code < low or code > high:
            return i
        at += 3
    return -1


@micropython.viper
def steady_words(ring: ptr8, first: int, count: int, least: int, most: int) -> int:
    """How many of ``count`` words of 4 bytes from ``first`` on begin with a byte in ``least`` to ``most``."""
    at = first * 4
    for i in range(count):
        wait = ring[at]
        if wait < least or wait > most:
            return i
        at += 4
    return count


@micropython.viper
def take_words(ring: ptr8, first: int, count: int, target: ptr8, at: int) -> int:
    """Copy the upper 3 bytes of ``count`` words, least significant first, to ``target``.

    Returns how many of these samples are at either end of the 24-bit scale.
    """
    saturated = 0
    source = first * 4
    for _ in range(count):
        bottom = ring[source + 1]
        middle = ring[source + 2]
        top = ring[source + 3]
        target[at] = bottom
        target[at + 1] = middle
        target[at + 2] = top
        if top == 0x7F and middle == 0xFF and bottom == 0xFF:
            saturated += 1
        if top == 0x80 and middle == 0 and bottom == 0:
            saturated += 1
        source += 4
        at += 3
    return saturated
