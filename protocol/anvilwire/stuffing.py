"""COBS: byte stuffing that keeps zero out of a frame, so that zero can mark its ends.

Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), 1999. A run of 254 non-zero bytes at the very end opens no further group.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    Bytes = bytes | bytearray | memoryview


class StuffingError(ValueError):
    """The bytes are not something an encoder could have produced."""


def stuffed_size(count: int) -> int:
    """Most bytes that ``count`` bytes can become: one more, and one for each 254."""
    return count + count // 254 + 1


def stuff_into(source: "Bytes", count: int, target: bytearray, start: int) -> int:
    """Stuff ``source[:count]`` into ``target`` from index ``start``; return the index after the last byte.

    ``target`` must have room for ``start + stuffed_size(count)`` bytes. Allocates nothing.
    """
    group = start
    out = start + 1
    code = 1
    for i in range(count):
        byte = source[i]
        if byte:
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


def unstuff_into(source: "Bytes", start: int, stop: int, target: bytearray) -> int:
    """Undo :func:`stuff_into` for ``source[start:stop]``; return how many bytes ``target`` now holds.

    ``target`` may be ``source`` itself when ``start`` is 0: output never overtakes input. Returns -1 for
    bytes no encoder produces (a zero inside, a group longer than what is left). Allocates nothing.
    """
    out = 0
    i = start
    while i < stop:
        code = source[i]
        end = i + code
        if code == 0 or end > stop:
            return -1
        i += 1
        while i < end:
            byte = source[i]
            if byte == 0:
                return -1
            target[out] = byte
            out += 1
            i += 1
        if code < 255 and i < stop:
            target[out] = 0
            out += 1
    return out


def stuff(data: "Bytes") -> bytes:
    """``data`` stuffed, as bytes."""
    target = bytearray(stuffed_size(len(data)))
    end = stuff_into(data, len(data), target, 0)
    return bytes(memoryview(target)[:end])


def unstuff(data: "Bytes") -> bytes:
    """``data`` unstuffed, as bytes; raises :class:`StuffingError`. Nothing unstuffs to nothing."""
    target = bytearray(len(data))
    count = unstuff_into(data, 0, len(data), target)
    if count < 0:
        raise StuffingError("%d bytes that are not COBS" % len(data))
    return bytes(memoryview(target)[:count])
