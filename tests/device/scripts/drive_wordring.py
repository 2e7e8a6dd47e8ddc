# The board's ADS1256 driver with a state machine and DMA on the simulated chip, without a station:
# drive_wordring.py SILICON CHECK.
from chip_bench import ADS_PINS, PINS, Settings, expect, power_up, run_check

import clock
import faults
import heap

US = 1_000_000
MS = 1_000_000_000
FULL = 50_000_000_000  # 2 * 2.5 V in units of 100 pV


class WordBlock:
    """A block that keeps the codes, with every loss and doubt between them."""

    def __init__(self, room=256):
        self.codes = []
        self.events = []
        self.ticks = []
        self.count = 0
        self._room = room

    def room(self):
        return self._room - self.count

    def take_words(self, ring, first, count, tick_first, tick_last):
        for i in range(first, first + count):
            code = ring[4 * i + 1] | ring[4 * i + 2] << 8 | ring[4 * i + 3] << 16
            self.codes.append(code - 0x1000000 if code & 0x800000 else code)
        self.ticks.append((len(self.codes) - count, tick_first, len(self.codes) - 1, tick_last))
        self.count += count

    def lose(self, count):
        self.events.append(("lost", len(self.codes), count))

    def mark_glitch(self):
        self.events.append(("doubt", len(self.codes)))


class CountingBlock:
    """A block that only counts: it needs no heap."""

    def __init__(self):
        self.count = 0

    def room(self):
        return 256

    def mark_glitch(self):
        raise AssertionError("a doubtful wait")

    def take_words(self, _ring, _first, count, _tick_first, _tick_last):
        self.count += count


def stair(number):
    """First-stage values that differ from each other by some codes."""
    return 1000 * (number % 50_000) - 20_000_000


def wanted(number, gain=64):
    value = stair(number) * gain * 0x7FFFFF
    return (2 * value + FULL) // (2 * FULL)


def driver(rate_mhz=30_000_000, value=stair):
    from converters.ads1256 import Converter

    Settings.EXCITATION_UV = 5_000_000
    Settings.EXCITATION_MEASURED = True
    PINS["ads1256"] = dict(ADS_PINS, pio=0)
    chip, given = power_up("ads1256")
    given.give(value)
    converter = Converter(Settings)
    converter.probe()
    converter.configure(rate_mhz, 64)
    return converter, chip, given


def collect(converter, block, count):
    while len(block.codes) < count:
        block.count = 0
        converter.fill(block)
        clock.idle()
    return block


def every_code_arrives_once_and_in_order():
    converter, chip, _ = driver()
    converter.start()
    block = collect(converter, WordBlock(), 10_000)
    expect(block.events, [])
    first = 0
    while wanted(first) != block.codes[0]:
        first += 1
    expect(block.codes[:10_000], [wanted(first + i) for i in range(10_000)])
    converter.stop()
    expect(chip.violations, {})


def words(rate_mhz, count, replay):
    """What lies in the ring after a start, word by word; the wall's time has no part in it."""
    clock._keep_up = lambda: None
    converter, chip, _ = driver(rate_mhz)
    ring = converter._words
    if not replay:
        ring._machine.replay = lambda _: False
    converter.start()
    block = WordBlock()
    kept = []
    while len(kept) < count:
        before = ring._tail
        block.count = 0
        converter.fill(block)
        for i in range(before, ring._tail):
            at = 4 * (i % 256)
            kept.append(bytes(ring._buffers[i // 256 % 16][at : at + 4]))
        clock.idle()
    expect(ring._machine._replaying, replay)
    converter.stop()
    expect((block.events, chip.violations), ([], {}))
    return kept[:count]


def words_worked_out_at_30_kilohertz():
    print(words(30_000_000, 500, True))


def words_by_single_instructions_at_30_kilohertz():
    print(words(30_000_000, 500, False))


def words_worked_out_at_15_kilohertz():
    print(words(15_000_000, 500, True))


def words_by_single_instructions_at_15_kilohertz():
    print(words(15_000_000, 500, False))


def odd(fault, argument, count=9000):
    """A run with a fault after 3000 samples; (its block, the driver, the chip, what ended it)."""
    from converters import ConverterError

    converter, chip, given = driver()
    converter.start()
    block = WordBlock()
    collect(converter, block, 3000)
    given.fault = (fault, argument)
    said = ""
    try:
        collect(converter, block, count)
    except ConverterError as error:
        said = str(error)
    return block, converter, chip, said


def number_of(code):
    """Which first-stage value a code came from."""
    return ((2 * code + 1) * FULL // (2 * 64 * 0x7FFFFF) + 20_000_000) // 1000


def gaps(codes):
    """Where codes do not follow each other: (index, how many are missing)."""
    found = []
    before = number_of(codes[0]) - 1
    for i, code in enumerate(codes):
        number = number_of(code)
        if number != before + 1:
            found.append((i, number - before - 1))
        before = number
    return found


def missed_samples_are_counted_exactly():
    for missed in (1, 2, 3):
        let_go()
        block, converter, _, said = odd(faults.MISSED_READY, missed)
        expect(said, "")
        ((kind, at, count),) = block.events
        expect((kind, count), ("lost", missed))
        expect(gaps(block.codes), [(at, missed)])
        expect(converter._words._machine._replaying, True)


def a_long_loss_is_counted_by_the_clock_to_a_sample():
    block, _, _, said = odd(faults.MISSED_READY, 40)
    expect(said, "")
    ((kind, at, count),) = block.events
    ((there, missing),) = gaps(block.codes)
    expect((kind, at), ("lost", there))
    expect(missing, 40)
    assert abs(count - 40) <= 1, count


def a_spike_on_data_ready_just_before_it_is_due_is_marked():
    block, converter, _, said = odd(faults.EXTRA_READY, 2)
    expect(said, "")
    expect([event[0] for event in block.events], ["doubt", "doubt"])
    # no sample is added or left out; the doubtful one is torn between two
    (at, ahead), (after, back) = gaps(block.codes)
    expect((after, ahead + back), (at + 1, 0))
    assert at in [event[1] for event in block.events]
    expect(converter._words._machine._replaying, True)


def spikes_without_end_end_the_run():
    _, _, _, said = odd(faults.EXTRA_READY, 1000)
    assert "chip reset, or noise on DRDY" in said, said


def a_chip_that_was_reset_ends_the_run():
    block, _, _, said = odd(faults.CHIP_RESET, 0)
    assert "chip reset, or noise on DRDY" in said, said
    assert len(block.codes) < 4700  # what was fetched before comes yet, then no more than a few dozen


def a_silent_chip_ends_the_run():
    _, _, _, said = odd(faults.SILENT, 0)
    assert "no data-ready for 30 ms" in said, said


def a_short_silence_is_a_loss():
    block, _, _, said = odd(faults.SILENT, 20)
    expect(said, "")
    ((kind, _, count),) = block.events
    expect(kind, "lost")
    assert 599 <= count <= 601, count


def both_ends_of_the_scale():
    converter, _, given = driver(value=0)
    converter.start()
    for input_, code in ((2**31 - 1, 0x7FFFFF), (-(2**31), -0x800000), (0, 0)):
        given.give(input_)
        block = collect(converter, WordBlock(), 5000)
        expect(block.codes[-1], code)


def a_ring_that_ran_over_is_counted_exactly():
    converter, _, _ = driver()
    converter.start()
    block = collect(converter, WordBlock(), 500)
    clock.spend(500 * MS)  # the main loop is held up: 15,000 samples, and the ring holds 4,096
    collect(converter, block, 9000)
    ((kind, at, lost),) = block.events
    expect(kind, "lost")
    expect(gaps(block.codes), [(at, lost)])


def a_full_block_waits():
    converter, _, _ = driver()
    converter.start()
    block = WordBlock(100)
    clock.spend(20 * MS)
    expect(converter.fill(block), False)
    expect((block.count, len(block.codes)), (100, 100))
    converter.fill(block)
    expect(len(block.codes), 100)


def the_ring_goes_round_and_the_count_goes_on():
    converter, _, _ = driver()
    converter.start()
    block = collect(converter, WordBlock(), 30_000)
    expect((block.events, gaps(block.codes)), ([], []))
    assert converter._words._head > 7 * 4096


def ticks_keep_within_a_period_and_a_look():
    clock.first_tick = (1 << 30) - 100_000
    for rate_mhz in (30_000_000, 15_000_000, 3_750_000):
        converter, _, _ = driver(rate_mhz)
        converter.configure(rate_mhz, 64)
        converter.start()
        ring = converter._words
        period_us = clock.period_ps / US
        block = WordBlock()
        for _ in range(150):
            block.count = 0
            converter.fill(block)
            if block.count:
                # the last data-ready whose word had arrived at the look
                look_us = ring._after - clock.first_tick & 0x3FFFFFFF
                edge_us = (clock.next_ps - clock.period_ps) / US
                while edge_us + 0.42 * period_us > look_us:
                    edge_us -= period_us
                off_us = (ring._tick - clock.first_tick & 0x3FFFFFFF) - edge_us
                assert -period_us - 4 <= off_us <= period_us + 4, (rate_mhz, off_us)
            clock.idle()
        _, first_tick, _, _ = block.ticks[0]
        _, _, last, last_tick = block.ticks[-1]
        span = (last_tick - first_tick) & 0x3FFFFFFF
        assert abs(span - last * period_us) <= 2 * period_us, (span, last * period_us)
        converter.stop()
        let_go()


def let_go():
    """Give the DMA channels back: another driver is coming."""
    import dma

    for i in range(dma.CHANNELS):
        dma._channels[i] = None


def starting_again_begins_with_a_clean_ring():
    converter, chip, _ = driver()
    for _ in range(3):
        converter.start()
        block = collect(converter, WordBlock(), 600)
        expect((block.events, gaps(block.codes)), ([], []))
        converter.stop()
    expect(chip.violations, {})


def slow_rates_are_read_by_the_interrupt():
    converter, _, _ = driver(2_000_000)
    assert converter._source is converter._ready
    converter.configure(3_750_000, 64)
    assert converter._source is converter._words


def without_a_state_machine_fast_rates_are_not_on_offer():
    from converters.ads1256 import Converter

    converter, _, _ = driver()
    expect([rate for rate, _ in converter.rates[:2]], [30_000_000, 15_000_000])
    PINS["ads1256"] = ADS_PINS
    power_up("ads1256")
    expect(Converter(Settings).rates[0][0], 7_500_000)


def a_board_without_pio_reads_by_interrupt():
    import builtins

    from converters.ads1256 import _word_ring

    plain = builtins.__import__

    def without_rp2(name, *rest):
        if name == "wordring":
            raise ImportError("no module named 'rp2'")
        return plain(name, *rest)

    power_up("ads1256")
    builtins.__import__ = without_rp2
    try:
        found = _word_ring({"pio": 0}, None, None, None, None)
    finally:
        builtins.__import__ = plain
    expect(found, None)


def nothing_is_allocated():
    converter, _, _ = driver()
    converter.start()
    collect(converter, WordBlock(), 300)
    block = CountingBlock()
    total = 0
    while total < 3000:
        heap.relock(1)
        converter.fill(block)
        heap.unlock()
        total += block.count
        block.count = 0
        clock.idle()
    heap.relock(1)
    converter.stop()
    heap.unlock()


def what_the_data_sheet_forbids_is_noticed():
    converter, chip, _ = driver()
    converter._words._mosi.init = lambda *_, **__: None  # DIN stays as the last command's last bit left it
    converter.start()
    collect(converter, WordBlock(), 100)
    assert "din" in chip.violations, chip.violations
    let_go()
    converter, chip, _ = driver()
    converter._words._machine._cycle_ps = 65_000  # SCLK at 3.8 MHz
    converter.start()
    clock.spend(MS)
    assert "sclk" in chip.violations, chip.violations


def saturated_samples_are_counted():
    from blocks import Block

    converter, _, _ = driver(value=2**31 - 1)
    converter.start()
    block = Block()
    while block.room():
        converter.fill(block)
        clock.idle()
    expect((block.saturated, block.count, block.flags), (256, 256, 1))
    let_go()
    converter, _, _ = driver()
    converter.start()
    block = Block()
    while block.room():
        converter.fill(block)
        clock.idle()
    expect((block.saturated, block.count, block.flags), (0, 256, 0))


def ends_by_watchdog():
    """Samples go on without the processor; only the main loop feeds the watchdog."""
    import machine

    converter, _, _ = driver()
    watchdog = machine.WDT(timeout=100)
    converter.start()
    block = WordBlock()
    while len(block.codes) < 30_000:
        watchdog.feed()
        block.count = 0
        converter.fill(block)
        clock.idle()
    print("fed for a second")
    for _ in range(100):
        clock.idle()
    print("not reset, %d words" % converter._words._position())


def opcodes():
    """The assembled program and where it wraps, for another machine to run."""
    import json

    import wordring

    print(json.dumps([list(wordring.program), wordring.program.wrap_target, wordring.program.wrap]))


run_check(globals())
