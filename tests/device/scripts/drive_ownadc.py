# The board's driver of its own ADC on the simulated one, without a station: drive_ownadc.py SILICON CHECK.
import random
from array import array

from chip_bench import Settings, expect, fails, power_up, run_check, sleep_ms

import clock
import faults

US = 1_000_000
ONE_MV_PER_V = 100_000_000
CONVERSION_PS = 2 * US
SMALL = 1 << 30


class Block:
    """The block of a station: every sample, its index, and the ticks of what came at a time."""

    def __init__(self):
        self.codes = {}
        self.ticks = []
        self.next_index = self.lost = self.saturated = self.doubted = self.count = 0

    def room(self):
        return 256 - self.count

    def take(self, ring, first, count, tick_first, tick_last):
        for i in range(first, first + count):
            self.codes[self.next_index] = signed(ring[3 * i : 3 * i + 3])
            self.next_index += 1
        self.ticks.append((self.next_index - count, tick_first, self.next_index - 1, tick_last))
        self.count += count

    def lose(self, count):
        assert self.count == 0, "a loss within a block"
        self.lost += count
        self.next_index += count

    def mark_saturated(self, count):
        self.saturated += count

    def mark_glitch(self):
        self.doubted += 1


def signed(found):
    code = found[0] << 16 | found[1] << 8 | found[2]
    return code - 0x1000000 if code & 0x800000 else code


def driver(rate_hz=20_000):
    from converters.ownadc import Converter

    chip, given = power_up("ownadc")
    converter = Converter(Settings)
    converter.probe()
    converter.configure(1000 * rate_hz, 200)
    return converter, chip, given


def fill(converter, block):
    """Like the station: a full block goes out, and so does one before a loss."""
    while converter.fill(block) or block.room() == 0:
        block.count = 0


def collect(converter, block, count):
    while block.next_index < count:
        fill(converter, block)
        clock.idle()
    return block


def plain_sums(raw, first, length, count, latest):
    """The twin of sum_into."""
    codes, saturated, unwritten, doubtful, moved = [], 0, 0, 0, 0
    for number in range(count):
        words = raw[first + number * length : first + (number + 1) * length]
        unwritten += len([word for word in words if word == 0xFFFF])
        doubtful += 1 if max(words) >= 0x8000 else 0
        limits = [word & 0xFFF for word in words if word != 0xFFFF]
        total = sum([word & 0xFFF for word in words])
        code = total - 2048 * length
        if 4095 in limits:
            code = 2047 * length
        elif 0 in limits:
            code = -2048 * length
        saturated += 4095 in limits or 0 in limits
        codes.append(code)
        moved |= total != latest
        latest = total
    return codes, [saturated, unwritten, doubtful, latest, moved]


def sums_agree_with_the_plain_twin():
    from averages import sum_into

    random.seed(20261125)
    for trial in range(160):
        length = (25, 50, 100, 250)[trial & 3]
        count = 1 + random.getrandbits(2)
        kind = random.getrandbits(2)
        middle = random.getrandbits(12)
        raw = array("H", [0] * (7 + count * length))
        for i in range(len(raw)):
            raw[i] = middle if kind == 0 else min(max(middle + random.getrandbits(5) - 16, 0), 4095)
            if kind == 2 and random.getrandbits(6) == 0:
                raw[i] = (0, 4095, 0xFFFF, 0x8000 | random.getrandbits(12))[random.getrandbits(2)]
            if kind == 3 and random.getrandbits(7) == 0:
                raw[i] = (0, 4095, 0x8000, 0x8FFF)[random.getrandbits(2)]
        told = array("i", [9, 9, 9, middle * length, 9])
        out = bytearray(3 * count)
        before = list(raw)
        codes, tells = plain_sums(before, 7, length, count, middle * length)
        sum_into(raw, 7, length, count, out, told)
        expect([signed(out[3 * i : 3 * i + 3]) for i in range(count)], codes)
        expect(list(told), [int(tell) for tell in tells])
        for number in range(1, count + 1):
            before[6 + number * length] = 0xFFFF
        expect(list(raw), before)


def plain_conversion(chip, number, start, before, now, done):
    """The twin of the silicon's convert, for one conversion: by the place of every step's edge."""
    seed = (chip._number + (start << 20)) & 0xFFFFFFFF
    h = ((number + seed) * 0x9E3779B1) & 0xFFFFFFFF
    h ^= h >> 16
    h = (h * 0x85EBCA6B) & 0xFFFFFFFF
    h ^= h >> 13
    h = (h * 0xC2B2AE35) & 0xFFFFFFFF
    h ^= h >> 16
    noise = (h & 255) + (h >> 8 & 255) + (h >> 16 & 255) + (h >> 24) - 510
    # ten times the input in 10 pV/V, by a gain of 200, 4096 steps to the excitation, 1024 to a step
    place = max(2048 * 1024 * 10**12 + (before * (10 - done) + now * done) * 200 * 4096 * 1024, 0) // 10**12
    place += 7 * noise
    t = (place >> 11) - 1024
    place += chip.bow * (1048576 - t * t) >> 20
    low, high = 0, 4095
    while low < high:
        code = (low + high + 1) // 2
        if place >= edge(code) + chip.late[code & 255] * (0 if is_wide(code) else 1):
            low = code
        else:
            high = code - 1
    return low


def is_wide(code):
    return code % 1024 == 512


def edge(code):
    """Where a step begins, in 1024ths: the usual one is 1015 wide, the four wide ones 10231."""
    wide = (code + 511) // 1024
    return 1015 * (code - wide) + 10231 * wide


def samples_are_the_sums_of_their_conversions():
    for rate_hz, length in ((20_000, 25), (10_000, 50), (5_000, 100), (2_000, 250)):
        converter, chip, given = driver(rate_hz)
        # across a wide code: 1.25 mV/V is 3072 - 2048 steps, a quarter of that is near 2560 with the bow
        values = {}

        def wave(number, values=values):
            values[number] = (3 * number % 41 - 20) * 1_000_000 + ONE_MV_PER_V * 5 // 8
            return values[number]

        first = given.rendered
        given.give(wave)
        converter.start()
        start = chip._starts
        block = collect(converter, Block(), 2_400 // length + 60)
        given_first = min(values)
        assert given_first >= first
        for index in range(0, 60 + 2_400 // length, 3):
            total = 0
            for conversion in range(index * length, (index + 1) * length):
                at, done = conversion // 10, conversion % 10 + 1
                now = values[given_first + at]
                before = values[given_first + max(at - 1, 0)]
                total += plain_conversion(chip, conversion, start, before, now, done)
            expect(block.codes[index], total - 2048 * length)
        converter.stop()
        expect(chip.violations, {})


def settings_are_read_back():
    converter, _chip, _ = driver()
    # data sheet 4.9 (from memory): CS.EN 0, READY 8, AINSEL 14:12; FCS.EN 0, ERR 2, DREQ_EN 3, EMPTY 8,
    # THRESH 24
    expect(converter.configure(20_000_000, 200).hex(), "010100000d01000100000000")
    expect(converter.full_scale_code, 51_200)
    expect((converter.saturation_low, converter.saturation_high), (-51_200, 51_175))
    converter.configure(2_000_000, 200)
    expect(converter.full_scale_code, 512_000)
    # (length - 1) / 2 conversions of 2 us, and the RC
    expect(converter.rates[0], (20_000_000, 24_000 + 27_000))
    expect(converter.rates[3], (2_000_000, 249_000 + 27_000))
    expect(converter.gains, ((200, 2_500_000),))


def another_channel():
    Settings.PINS = None
    from chip_bench import PINS

    PINS["ownadc"] = {"adc": 28, "smps": 23}
    converter, chip, given = driver()
    expect(chip.peek(0x4004C000) >> 12 & 7, 2)
    given.give(ONE_MV_PER_V)
    converter.start()
    block = collect(converter, Block(), 100)
    mean = sum(block.codes.values()) / len(block.codes)
    assert abs(mean - 51_200 / 2.5) < 8 * 25, mean


def a_reference_that_is_not_the_excitation():
    Settings.REFERENCE_IS_EXCITATION = False
    Settings.REFERENCE_UV = 3_300_000
    converter, _, _ = driver()
    from anvilwire.messages import EXCITATION_NOMINAL, SCALE_VOLTAGE

    expect(converter.scale_kind, SCALE_VOLTAGE)
    expect(converter.gains, ((200, 8_250_000),))  # nV: 1.65 V over 200
    expect((converter.excitation_uv, converter.excitation_source), (3_300_000, EXCITATION_NOMINAL))


def exact(chip, block, start, index):
    """Whether a sample is the sum of the conversions that its index stands for; the input is nought."""
    total = sum([plain_conversion(chip, n, start, 0, 0, 1) for n in range(25 * index, 25 * index + 25)])
    return block.codes[index] == total - 2048 * 25


def overrun_is_counted_to_the_sample():
    converter, chip, _ = driver()
    converter.start()
    start = chip._starts
    block = collect(converter, Block(), 400)
    for stall_ms in (25, 33, 50, 66, 123, 250, 7, 1001):
        before, lost = block.next_index, block.lost
        sleep_ms(stall_ms)
        fill(converter, block)
        lost = block.lost - lost
        collect(converter, block, block.next_index + 100)
        if stall_ms < 29:
            expect(lost, 0)
        else:
            assert 20 * stall_ms - 45 <= lost <= 20 * stall_ms + 45, (stall_ms, lost)
        for index in (before - 1, before + lost, before + lost + 1, block.next_index - 1):
            expect((stall_ms, index, exact(chip, block, start, index)), (stall_ms, index, True))
        assert not exact(chip, Moved(block), start, before + lost)
    expect(block.next_index, len(block.codes) + block.lost)


class Moved:
    """A block whose samples bear the index before."""

    def __init__(self, block):
        self.codes = {index - 1: code for index, code in block.codes.items()}


def a_fifo_that_ran_over_is_a_loss_told_from_ticks():
    converter, _chip, given = driver()
    converter.start()
    block = collect(converter, Block(), 400)
    given.give(0, (faults.MISSED_READY, 700))
    collect(converter, block, 2_000)
    # the loop comes by every 2 ms: what came since it last did goes with the 700
    assert 28 <= block.lost <= 28 + 45, block.lost
    true_index = (clock.now_ps - start_of(block)) // (25 * CONVERSION_PS)
    assert abs(true_index - block.next_index) <= 41, (true_index, block.next_index)
    converter.stop()


def start_of(block):
    """When sample 0 began, by the first tick."""
    return (block.ticks[0][1] - 50) * US


def ticks_are_when_a_sample_was_ready():
    for first_tick in (0, SMALL - 30_000):
        clock.first_tick = first_tick
        converter, chip, _ = driver()
        converter.start()
        begun_ps = chip._start_ps
        block = collect(converter, Block(), 4_000)
        expect(block.lost, 0)
        for first, tick_first, last, tick_last in block.ticks:
            for index, tick in ((first, tick_first), (last, tick_last)):
                assert 0 <= tick < SMALL
                ready_us = (begun_ps + (index + 1) * 25 * CONVERSION_PS) // US + first_tick
                late = (tick - ready_us + SMALL // 2) % SMALL - SMALL // 2
                assert -22 <= late <= 3, (index, late)
        converter.stop()


def one_conversion_at_the_limit_is_not_averaged_away():
    for value, code in ((20 * ONE_MV_PER_V, 51_175), (-20 * ONE_MV_PER_V, -51_200)):
        converter, _chip, given = driver()
        # ten conversions go up to the spike and ten down again: few of them reach the limit
        given.give(lambda number, value=value: value if number % 50 == 20 else 0)
        converter.start()
        block = collect(converter, Block(), 400)
        at_limit = [i for i in block.codes if block.codes[i] == code]
        expect(block.saturated, len(at_limit))
        assert 20 <= len(at_limit) <= 40, len(at_limit)
        others = [c for c in block.codes.values() if c != code]
        assert max([abs(c) for c in others]) < 30_000
        converter.stop()


def a_stuck_adc_is_doubted_and_a_quiet_one_is_not():
    import converters.ownadc

    expect(converters.ownadc._SAME_MOST, 500_000)
    converters.ownadc._SAME_MOST = 50_000  # 2,000 samples
    converter, chip, given = driver()
    converter.start()
    block = collect(converter, Block(), 3_000)
    given.give(0, (faults.STUCK, 0))
    collect(converter, block, 4_900)
    expect(block.doubted, 0)
    collect(converter, block, 5_100)
    assert block.doubted > 0
    converter.stop()
    chip._state[5] = 0
    converter.start()
    block = collect(converter, Block(), 1_000)
    expect(block.doubted, 0)


def a_silent_adc_is_an_error_and_can_be_set_up_again():
    converter, _chip, given = driver()
    converter.start()
    collect(converter, Block(), 400)
    given.give(0, (faults.SILENT, 0))
    fails(lambda: collect(converter, Block(), 2_000), "no conversion for 20 ms")
    converter.stop()
    converter.configure(20_000_000, 200)
    converter.start()
    expect(collect(converter, Block(), 1_000).lost, 0)


def a_reset_adc_is_an_error_and_can_be_set_up_again():
    converter, _chip, given = driver()
    converter.start()
    collect(converter, Block(), 400)
    given.give(0, (faults.CHIP_RESET, 0))
    fails(lambda: collect(converter, Block(), 2_000), "no conversion for 20 ms")
    fails(converter.stop, "register CS reads 0x0, not 0x9 as set")
    converter.configure(20_000_000, 200)
    converter.start()
    expect(collect(converter, Block(), 1_000).lost, 0)
    converter.stop()


def conversions_that_never_come_to_memory_are_an_error():
    converter, _, _ = driver()
    converter.start()
    block = collect(converter, Block(), 400)
    converter._buffers[5][500] = 0xFFFF
    plain = converter._data.moved

    def spoilt(count):
        plain(count)
        for at in range(1000):
            converter._buffers[5][at] = 0xFFFF

    converter._data.moved = spoilt
    fails(lambda: collect(converter, block, 3_000), "never came to memory")


def a_clock_that_is_off_is_found():
    import front

    converter, _, _ = driver()
    front.period_ps = front.period_ps * 11 // 10
    fails(lambda: converter.configure(20_000_000, 200), "its clock is not 48 MHz")


def a_sensor_that_reads_nonsense_is_found():
    import ownadc

    ownadc._AT_25_C = 2_900
    fails(driver, "temperature sensor reads 2900")


run_check(globals())
