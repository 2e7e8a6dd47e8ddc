"""Sums of raw conversions, as viper code: what the RP2040's own ADC delivers, on its way to samples.

A plain twin stands in the tests, which prove that both agree. All numbers stay below 2^24.
"""

from array import array

import micropython

TYPE_CHECKING = False
if TYPE_CHECKING:
    ptr8 = bytearray
    ptr16 = array[int]

EMPTY = 0xFFFF
"""What a place holds that no conversion was written to: no 12-bit conversion looks like it."""

SATURATED = 0
UNWRITTEN = 1
DOUBTFUL = 2
LATEST = 3
MOVED = 4
"""Places in what :func:`sum_into` tells."""


@micropython.viper
def sum_into(raw: ptr16, first: int, length: int, count: int, out: ptr8, told: ptr16):
    """Make ``count`` samples of ``length`` conversions each, from ``raw[first]`` on.

    A sample is the sum of its conversions less ``length`` times 2048, written to ``out`` as 3 bytes, most
    significant first. If one of them is 4095 the sample is ``length`` * 2047, if one is 0 ``length`` * -2048:
    what lies beyond is not averaged away. The places in ``raw`` are emptied.

    ``told`` gets how many samples are saturated, how many conversions were not there and how many samples
    hold one that the ADC itself doubts (bit 15). It remembers the latest conversion, and tells whether any
    other came than that.
    """
    saturated = 0
    unwritten = 0
    doubtful = 0
    same = told[3]
    moved = 0
    at = first
    to = 0
    for _ in range(count):
        total = 0
        every = 0
        low = 0
        high = 0
        for _ in range(length):
            word = raw[at]
            raw[at] = 0xFFFF
            at += 1
            every |= word
            moved |= word ^ same
            total += word & 0xFFF
            if (word + 1) & 0xFFE == 0:  # 0, 4095, or nothing there
                if word == 0xFFFF:
                    unwritten += 1
                elif word & 0xFFF == 0:
                    low = 1
                else:
                    high = 1
            same = word
        if every & 0x8000 != 0:
            doubtful += 1
        total -= length * 2048
        if high != 0:
            total = length * 2047
        elif low != 0:
            total = 0 - length * 2048
        saturated += high | low
        out[to] = (total >> 16) & 255
        out[to + 1] = (total >> 8) & 255
        out[to + 2] = total & 255
        to += 3
    told[0] = saturated
    told[1] = unwritten
    told[2] = doubtful
    told[3] = same
    told[4] = moved & 0xFFF


@micropython.viper
def empty(raw: ptr16, count: int):
    """Empty ``count`` places."""
    for at in range(count):
        raw[at] = 0xFFFF
