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


def steady_words(ring, first, count, least, most):
    """The plain twin: words of 4 bytes, the first of them a wait."""
    waits = [ring[4 * i] for i in range(first, first + count)]
    return ([least <= wait <= most for wait in waits] + [False]).index(False)


def take_words(ring, first, count, target, at):
    """The plain twin: the other three are a code, least significant byte first."""
    codes = [bytes(ring[4 * i + 1 : 4 * i + 4]) for i in range(first, first + count)]
    target[at : at + 3 * count] = b"".join(codes)
    return sum([code in (b"\xff\xff\x7f", b"\x00\x00\x80") for code in codes])


def check_words(rng):
    words = bytearray()
    for _ in range(40):
        code = (0x7FFFFF, 0x800000, 0x800001, rng.getrandbits(24))[rng.getrandbits(2)]
        words.extend(bytes([rng.getrandbits(8), code & 255, code >> 8 & 255, code >> 16]))
    first = rng.getrandbits(3)
    count = rng.getrandbits(5)
    least, most = sorted([rng.getrandbits(8), rng.getrandbits(8)])
    assert quick.steady_words(words, first, count, least, most) == steady_words(
        words, first, count, least, most
    )
    assert quick.steady_words(words, first, count, 0, 255) == count
    fast, plain = bytearray(150), bytearray(150)
    assert quick.take_words(words, first, count, fast, 7) == take_words(words, first, count, plain, 7)
    assert fast == plain, ("words", words)


random.seed(20261125)
trials = 0
for size in (0, 1, 2, 253, 254, 255, 256, 508, 509, 800, 1090):
    for _ in range(20):
        check(make(random, size))
        trials += 1
    check(bytearray([255] * size))
    check_samples(random)
    for _ in range(20):
        check_words(random)
    for _ in range(20):
        check_level(random)
print("agree", trials)
