# The board's HX711 driver on the simulated chip, without a station, with the clock pulses from a PIO state
# machine and from the script: drive_hx711.py SILICON CHECK.
from chip_bench import HX_PINS, PINS, Settings, collect, expect, power_up, run_check

import clock
import faults
import heap

US = 1_000_000
ONE_MV_PER_V = 100_000_000
SHOWN = {128: 0x20C49C, 64: 0x10624E, 32: 0x083127}  # 1 mV/V: 2^23 * gain / 500, to nearest


class CountingBlock:
    """A block that only counts: it needs no heap."""

    def __init__(self):
        self.count = 0

    def room(self):
        return 256

    def put(self, _code, _tick):
        self.count += 1


def driver(with_pio):
    from converters.hx711 import Converter

    Settings.RATE_HZ = 80
    PINS["hx711"] = dict(HX_PINS, pio=0) if with_pio else HX_PINS
    chip, given = power_up("hx711")
    converter = Converter(Settings)
    expect(converter._pio is not None, with_pio)
    given.give(ONE_MV_PER_V)
    return converter, chip, given


def every_gain_by_either_way():
    for with_pio in (False, True):
        converter, chip, _ = driver(with_pio)
        converter.probe()
        for gain, _full_scale in converter.gains:
            expect(converter.configure(80_000, gain), b"")
            converter.start()
            expect(collect(converter, 3).codes, [SHOWN[gain]] * 3)
        expect(chip.comm_errors, 0)


def negative_codes_and_both_ends():
    for with_pio in (False, True):
        converter, _, given = driver(with_pio)
        converter.configure(80_000, 128)
        converter.start()
        for input_, wanted in ((-1, -SHOWN[128]), (4, 0x7FFFFF), (-4, -0x800000), (0, 0)):
            given.give(input_ * ONE_MV_PER_V)
            expect(collect(converter, 2).codes[-1], wanted)


def pulses_of_the_state_machine_keep_to_the_data_sheet():
    converter, chip, _ = driver(True)
    converter.configure(80_000, 64)
    edges = []
    plain = chip.clock_pin

    def watched(level):
        edges.append((level, clock.now_ps))
        plain(level)

    pin = converter._clock
    pin._drive = watched
    converter.start()
    collect(converter, 1)
    expect(len(edges), 3 * 2 * 27)
    for i in range(54 - 1):
        if edges[i][0]:
            assert US // 5 <= edges[i + 1][1] - edges[i][1] <= 50 * US  # T3, high: 0.2 to 50 us
        else:
            assert edges[i + 1][1] - edges[i][1] >= US // 5  # T4, low: 0.2 us at least
    assert edges[53][1] - edges[0][1] <= 100 * US


def a_chip_that_lost_its_place_is_brought_back():
    for with_pio in (False, True):
        converter, chip, given = driver(with_pio)
        converter.configure(80_000, 64)
        converter.start()
        given.give(ONE_MV_PER_V, (faults.CHIP_RESET, 25))
        block = collect(converter, 4)
        assert block.doubted >= 1 or block.lost >= 1, (block.doubted, block.lost, block.codes)
        # a reset chip is at gain 128 until it has been told again
        expect(block.codes[-1], SHOWN[64])
        expect(chip.comm_errors, 0)


def a_conversion_that_comes_while_the_old_one_is_thrown_away():
    from time import sleep_us

    for with_pio in (False, True):
        converter, _, _ = driver(with_pio)
        converter.configure(80_000, 64)
        for before_us in range(0, 200, 5):
            sleep_us((clock.next_ps - clock.now_ps) // US + 12_500 - before_us)
            converter.start()
            expect(collect(converter, 2).codes, [SHOWN[64]] * 2)


def powering_down_brings_the_chip_back_to_gain_128():
    for with_pio in (False, True):
        converter, chip, _ = driver(with_pio)
        converter.configure(80_000, 64)
        restarts = chip.long_highs
        converter._restart()
        expect(chip.long_highs, restarts + 1)
        expect(chip._gain, 128)
        began_ps = clock.now_ps
        converter._discard(1)
        assert clock.now_ps - began_ps >= 50_000 * US - 200 * US  # it settles anew
        expect(converter._trusted, True)


def a_chip_that_is_stuck_low_is_told():
    from converters import ConverterError

    converter, _, _ = driver(True)
    converter._data._sense = lambda: 0
    said = "nothing"
    try:
        converter.probe()
    except ConverterError as error:
        said = str(error)
    assert "stays low after 25 clock pulses" in said, said


def a_state_machine_that_does_not_answer_is_no_reading():
    converter, _, _ = driver(True)
    converter.configure(80_000, 128)
    converter._pio._machine.active(0)
    began_ps = clock.now_ps
    expect(converter._pio.read(25), -1)
    assert 1000 * US <= clock.now_ps - began_ps <= 1100 * US


def nothing_is_allocated():
    for with_pio in (False, True):
        converter, _, _ = driver(with_pio)
        converter.configure(80_000, 128)
        converter.start()
        collect(converter, 1)
        block = CountingBlock()
        while block.count < 3:
            heap.relock(1)
            converter.fill(block)
            heap.unlock()
            clock.idle()


def a_board_without_pio_gives_the_pulses_itself():
    import builtins

    plain = builtins.__import__

    def without_rp2(name, *rest):
        if name == "pulses":
            raise ImportError("no module named 'rp2'")
        return plain(name, *rest)

    from converters.hx711 import _pulse_reader

    builtins.__import__ = without_rp2
    try:
        found = _pulse_reader({"pio": 0}, None, None)
    finally:
        builtins.__import__ = plain
    expect(found, None)


def opcodes():
    """The assembled program, for another machine to run."""
    import pulses

    print(list(pulses.program))


run_check(globals())
