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


def little_endian(codes):
    data = bytearray()
    for code in codes:
        data.extend(bytes([code & 255, (code >> 8) & 255, (code >> 16) & 255]))
    return data


def check_level(rng):
    sort = rng.getrandbits(2)
    low, high = ((-0x800000, 0x7FFFFF), (0x7FFF00, 0x7FFFFF), (-0x800000, -0x7FFF00), (-300, 300))[sort]
    codes = [low + rng.getrandbits(24) % (high - low + 1) for _ in range(256)]
    data = bytearray(5) + little_endian(codes)
    groups = [sum(codes[at : at + 64]) // 64 for at in range(0, 256, 64)]
    assert quick.mean_of(data, 5) == sum(groups) // 4, codes
    assert abs(quick.mean_of(data, 5) - sum(codes) / 256) < 2
    limits = sorted([low + rng.getrandbits(24) % (high - low + 1) for _ in range(2)])
    beyond = [i for i, code in enumerate(codes) if code < limits[0] or code > limits[1]]
    assert quick.first_beyond(data, 5, 256, limits[0], limits[1]) == (beyond[0] if beyond else -1)
    assert quick.first_beyond(data, 5, 256, low, high) == -1


random.seed(20261125)
trials = 0
for size in (0, 1, 2, 253, 254, 255, 256, 508, 509, 800, 1090):
    for _ in range(20):
        check(make(random, size))
        trials += 1
    check(bytearray([255] * size))
    check_samples(random)
    for _ in range(20):
        check_level(random)
print("agree", trials)
