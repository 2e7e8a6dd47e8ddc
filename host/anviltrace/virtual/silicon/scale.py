"""From first-stage values to the ADS1256's codes, exactly: sums and divisions of whole numbers.

code = mean(values) * gain / full * (2^23 - 1), rounded to nearest (halves up), saturating at 7FFFFF and
800000, where ``full`` is 2 * VREF in the values' unit.
"""

import micropython

_TOP = 0x7FFFFF


@micropython.viper
def codes_of(values: ptr32, averaged: int, outputs: int, gain: int, full: int, codes: ptr8):  # noqa: F821
    """Write ``outputs`` codes of 3 bytes, most significant first; ``averaged`` values make one.

    The quotient q / d of about 2^46 each is scaled by 2^23 in two steps of long division, which stays
    within 63 bits; subtracting q / d once more makes that 2^23 - 1.
    """
    d = averaged * full
    at = 0
    out = 0
    for _ in range(outputs):
        q = 0
        for _ in range(averaged):
            value = values[at]
            if value > 0x7FFFFFFF:  # viper reads 32 bits without their sign into a 64-bit word
                value -= 0x100000000
            q += value
            at += 1
        q *= gain
        if q >= 2 * d:
            code = 0x7FFFFF
        elif q <= -2 * d:
            code = -0x800000
        else:
            whole = q // d
            rest = (q - whole * d) << 12
            digits = rest // d
            code = (whole << 23) + (digits << 11)
            rest = (rest - digits * d) << 11
            digits = rest // d
            code += digits
            rest -= digits * d
            code += (2 * (rest - q) + d) // (2 * d)
            if code > 0x7FFFFF:
                code = 0x7FFFFF
            if code < -0x800000:
                code = -0x800000
        codes[out] = (code >> 16) & 255
        codes[out + 1] = (code >> 8) & 255
        codes[out + 2] = code & 255
        out += 3


def saturate(code):
    """``code`` within 24 bits, two's complement."""
    return min(max(code, -0x800000), _TOP)


def rounded(numerator, denominator):
    """The whole number nearest to the quotient of whole numbers, halves up."""
    return (2 * numerator + denominator) // (2 * denominator)


def put_code(code, codes, at):
    """Write a code as 3 bytes, most significant first."""
    codes[at] = (code >> 16) & 255
    codes[at + 1] = (code >> 8) & 255
    codes[at + 2] = code & 255
