# Checks of the simulated ADC of an RP2040: check_ownadc.py SILICON CHECK. Registers are the data sheet's
# (section 4.9, from memory). Its uneven steps are held against published measurements of a Pico: noise of
# 0.97 to 1.36 steps rms, INL up to 7.85, DNL up to 8.9, and erratum RP2040-E11's wide codes.
from array import array

from chip_bench import Settings, expect, power_up, run_check, sleep_us

import clock
import dma
from machine import mem32

CS, RESULT, FCS, FIFO, DIV = [0x4004C000 + 4 * i for i in range(5)]
US = 1_000_000
ONE_MV_PER_V = 100_000_000
EMPTY, FULL, UNDER, OVER = 1 << 8, 1 << 9, 1 << 10, 1 << 11
HALF = ONE_MV_PER_V * 5 // 2  # from mid-scale to an end, by a gain of 200


def registers_after_reset():
    power_up("ownadc")
    for register in (CS, RESULT, DIV):
        expect(mem32[register], 0)
    expect(mem32[FCS], EMPTY)
    mem32[CS] = 1
    expect(mem32[CS], 0x101)  # enabled, and ready
    mem32[CS] = 0xFFFFFFFF & ~0xE
    expect(mem32[CS] & 0xFFF, 0x101)  # what starts a conversion does not stay


def the_temperature_sensor():
    power_up("ownadc")
    mem32[CS] = 4 << 12 | 1
    mem32[CS] = 4 << 12 | 1 | 4
    expect(mem32[RESULT], 0)  # not switched on
    mem32[CS] = 4 << 12 | 3 | 4
    expect(mem32[RESULT], 880)  # 27 C at 0.706 V, -1.721 mV/K: 0.709 V at 25 C, by 3.3 V
    expect(int(4096 * (0.706 + 2 * 0.001721) / 3.3 + 0.5), 881)


def a_conversion_takes_96_periods():
    chip, _ = power_up("ownadc")
    mem32[FCS] = 9
    mem32[CS] = 9
    begun_ps = clock.now_ps
    clock.spend(begun_ps + 99_900 * US - clock.now_ps)
    mem32[FCS]
    expect(chip._made, 49_950)


def the_fifo_runs_over_and_under():
    _, _ = power_up("ownadc")
    mem32[FCS] = 1
    mem32[CS] = 9
    sleep_us(7)
    expect(mem32[FCS] & (OVER | FULL), 0)
    sleep_us(3)
    expect(mem32[FCS] >> 16 & 15, 4)
    assert mem32[FCS] & (OVER | FULL)
    mem32[CS] = 1
    for _ in range(5):
        mem32[FIFO]
    expect(mem32[FCS] & (OVER | UNDER | EMPTY), OVER | UNDER | EMPTY)
    mem32[FCS] = 1 | OVER
    expect(mem32[FCS] & (OVER | UNDER), UNDER)
    mem32[FCS] = 1 | UNDER
    expect(mem32[FCS] & (OVER | UNDER), 0)


def another_pin_is_not_wired_and_dividers_are_not_modelled():
    chip, given = power_up("ownadc")
    given.give(HALF // 2)
    mem32[CS] = 1 << 12 | 5
    assert abs(mem32[RESULT] - 2048) < 12
    mem32[CS] = 5
    assert abs(mem32[RESULT] - 3072) < 12
    expect(chip.violations, {})
    mem32[DIV] = 1 << 8
    expect(chip.violations, {"divider": 1})


def convert(number, value, take, count):
    """Give ``count`` conversions of a chip of that number to ``take``, few by few."""
    import machine

    chip, given = power_up("ownadc")
    dma.connect(36, None)
    chip = type(chip)(Settings, number)
    machine.chip = chip
    given.give(value)
    left = [count]
    plain = chip._queue

    def queue(some):
        for i in range(min(some, left[0])):
            take(chip._scratch[2 * i] | chip._scratch[2 * i + 1] << 8)
        left[0] = max(0, left[0] - some)
        plain(some)

    chip._queue = queue
    mem32[FCS] = 1
    mem32[CS] = 9
    while left[0]:
        clock.spend(500 * US)
        mem32[FCS]


def noise_is_one_step():
    sums = [0, 0, 0, 0, 0]  # count, codes, squares, products of neighbours, the code before

    def take(code):
        code -= 2731
        sums[0] += 1
        sums[1] += code
        sums[2] += code * code
        sums[3] += code * sums[4]
        sums[4] = code

    convert(0x12345678, HALF // 3, take, 20_000)
    mean = sums[1] / sums[0]
    variance = sums[2] / sums[0] - mean * mean
    assert 0.97 <= variance**0.5 <= 1.36, variance  # as published
    assert abs(sums[3] / sums[0] - mean * mean) < 0.05 * variance, "noise is white"


def steps_are_as_uneven_as_published():
    # a ramp over the whole range in 4096 * 24 conversions: how often each code comes is its width
    per_step = 24
    values = 4096 * per_step // 10
    for number in (0x00000000, 0x5EED0BB9, 0xFFFF1234):
        width = array("H", [0] * 4096)

        def take(code, width=width):
            width[code] += 1

        convert(number, lambda n: -HALF + 2 * HALF * n // values, take, 4096 * per_step)
        # noise smears a width over its neighbours: a wide code and three on either side, less six usual ones
        for code in (512, 1536, 2560, 3584):
            wide = sum(width[code - 3 : code + 4]) / per_step - 6
            assert 9 <= wide <= 11, (code, wide)
        usual = [sum(width[code - 3 : code + 4]) / per_step / 7 for code in range(40, 470, 7)]
        assert 0.97 < sum(usual) / len(usual) < 1.01, sum(usual) / len(usual)
        assert max(usual) < 1.4, max(usual)
        # off the straight line through the whole range: what is known as INL
        off, seen = 0, 0
        for code in range(4095):
            seen += width[code]
            off = max(off, abs(seen / per_step - code - 1))
        assert 4.0 <= off <= 7.85 + 0.2, (number, off)


run_check(globals())
