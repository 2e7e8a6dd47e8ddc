# Under MicroPython: the viper loops of device/quick.py against their plain twins, on seeded random data.
# Prints "agree N" or the first disagreement.
import random

import quick
from anvilwire import frame, stuffing


def make(rng, size):
    """Random bytes with long runs of zeros and of non-zeros, so that COBS groups of 254 occur."""
    data = bytearray(size)
    at = 0
    while at < size:
        run = min(1 + rng.getrandbits(9), size - at)
        sort = rng.getrandbits(2)
        for i in range(at, at + run):
            data[i] = 0 if sort == 0 else (rng.getrandbits(8) if sort == 1 else 1 + rng.getrandbits(8) % 255)
        at += run
    return data


def check(data):
    count = len(data)
    ours, theirs = bytearray(data) + bytearray(4), bytearray(data) + bytearray(4)
    assert quick.seal_into(ours, count) == frame.seal_into(theirs, count) == count + 4
    assert ours == theirs, ("seal", data)
    assert quick.is_sealed(ours, count + 4)
    ours[count] ^= 1
    assert not quick.is_sealed(ours, count + 4), ("is_sealed", data)
    size = 1 + stuffing.stuffed_size(count + 4)
    fast, plain = bytearray(size), bytearray(size)
    end = quick.stuff_into(theirs, count + 4, fast, 1)
    assert end == stuffing.stuff_into(theirs, count + 4, plain, 1)
    assert fast == plain, ("stuff", data)


def check_samples(rng):
    codes = [rng.getrandbits(24) for _ in range(20)] + [0x7FFFFF, 0x800000, 0x7FFFFE, 0x800001]
    ring = bytearray()
    expected = bytearray()
    for code in codes:
        ring.extend(bytes([code >> 16, (code >> 8) & 255, code & 255]))
        expected.extend(bytes([code & 255, (code >> 8) & 255, code >> 16]))
    target = bytearray(7 + len(expected))
    saturated = quick.take_samples(ring, 3, len(codes) - 3, target, 7)
    assert target[7 : 7 + 3 * (len(codes) - 3)] == expected[9:]
    assert saturated == sum([code in (0x7FFFFF, 0x800000) for code in codes[3:]])


random.seed(20261125)
trials = 0
for size in (0, 1, 2, 253, 254, 255, 256, 508, 509, 800, 1090):
    for _ in range(20):
        check(make(random, size))
        trials += 1
    check(bytearray([255] * size))
    check_samples(random)
print("agree", trials)
