"""Sums of raw conversions, as viper code: what the RP2040's own ADC delivers, on its way to samples.

A plain twin stands in the tests, which prove that both agree. All numbers stay below 2^28.
"""

from array import array

import micropython

TYPE_CHECKING = False
if TYPE_CHECKING:
    ptr8 = bytearray
    ptr16 = array[int]
    ptr32 = array[int]

EMPTY = 0xFFFF
"""What a place holds that no conversion was written to: no 12-bit conversion looks like it."""

SATURATED = 0
UNWRITTEN = 1
DOUBTFUL = 2
LATEST = 3
MOVED = 4
"""Places in what :func:`sum_into` tells."""


@micropython.viper
def sum_into(raw: ptr16, at: int, length: int, count: int, out: ptr8, told: ptr32):
    """Make ``count`` samples of ``length`` conversions each (a multiple of five), from ``raw[at]`` on.

    A sample is the sum of its conversions less ``length`` times 2048, written to ``out`` as 3 bytes, most
    significant first. If one of them is 4095 the sample is ``length`` * 2047, if one is 0 ``length`` * -2048:
    what lies beyond is not averaged away. The last place of each sample is emptied.

    ``told`` gets how many samples are saturated, how many conversions were not there and how many samples
    hold one that the ADC itself doubts (bit 15). It remembers the latest sum, and tells whether any other
    came than that.

    About 44 cycles of a Cortex-M0+ for a conversion, counted in what mpy-cross makes of it. ``odd`` has bits
    from 12 up if a conversion is 0 or 4095, doubted or not there; only then each is looked at.
    """
    saturated = 0
    unwritten = 0
    doubtful = 0
    latest = told[3]
    moved = 0
    to = 0
    for _ in range(count):
        total = 0
        odd = 0
        end = at + length
        while at < end:
            word = raw[at]
            total += word
            odd |= ((word + 1) & 0x8FFE) - 1
            word = raw[at + 1]
            total += word
            odd |= ((word + 1) & 0x8FFE) - 1
            word = raw[at + 2]
            total += word
            odd |= ((word + 1) & 0x8FFE) - 1
            word = raw[at + 3]
            total += word
            odd |= ((word + 1) & 0x8FFE) - 1
            word = raw[at + 4]
            total += word
            odd |= ((word + 1) & 0x8FFE) - 1
            at += 5
        code = total - length * 2048
        if odd & 0xF000 != 0:
            total = 0
            low = 0
            high = 0
            doubted = 0
            for k in range(length):
                word = raw[at - 1 - k]
                total += word & 0xFFF
                if word == 0xFFFF:
                    unwritten += 1
                elif word & 0xFFF == 0:
                    low = 1
                elif word & 0xFFF == 0xFFF:
                    high = 1
                if word & 0x8000 != 0:
                    doubted = 1
            code = total - length * 2048
            if high != 0:
                code = length * 2047
            elif low != 0:
                code = 0 - length * 2048
            saturated += high | low
            doubtful += doubted
        if total != latest:
            moved = 1
            latest = total
        raw[at - 1] = 0xFFFF
        out[to] = (code >> 16) & 255
        out[to + 1] = (code >> 8) & 255
        out[to + 2] = code & 255
        to += 3
    told[0] = saturated
    told[1] = unwritten
    told[2] = doubtful
    told[3] = latest
    told[4] = moved


@micropython.viper
def empty(raw: ptr16, count: int):
    """Empty ``count`` places."""
    for at in range(count):
        raw[at] = 0xFFFF
