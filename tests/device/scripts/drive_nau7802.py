# The board's NAU7802 driver on the simulated chip, without a station: drive_nau7802.py SILICON CHECK.
from chip_bench import NAU_PINS, PINS, Settings, collect, expect, fails, power_up, run_check, sleep_ms

import clock
import faults

US = 1_000_000
ONE_MV_PER_V = 100_000_000


def driver(with_pin=False):
    from converters.nau7802 import Converter

    PINS["nau7802"] = NAU_PINS if with_pin else {name: NAU_PINS[name] for name in ("i2c", "scl", "sda")}
    chip, given = power_up("nau7802")
    converter = Converter(Settings)
    return converter, chip, given


def every_rate_and_gain():
    converter, chip, given = driver()
    converter.probe()
    crs = {10: 0, 20: 1, 40: 2, 80: 3, 320: 7}
    for rate_mhz, delay_ns in converter.rates:
        rate = rate_mhz // 1000
        expect(delay_ns, 2_000_000_000 // rate)
        expect(converter.configure(rate_mhz, 64).hex(), "9e2e%x030" % crs[rate] + "0080")
    for gain, full_scale in converter.gains:
        expect(full_scale, 500_000_000 // gain)
        converter.configure(320_000, gain)
        given.give(3 * ONE_MV_PER_V // 2)
        converter.start()
        expect(collect(converter, 1).codes, [int(2**23 * gain * 1.5 / 500 + 0.5)])
    expect(chip.refused, 0)


def a_data_ready_pin_does_the_same():
    for with_pin in (False, True):
        converter, _, given = driver(with_pin)
        converter.probe()
        converter.configure(320_000, 128)
        converter.start()
        given.give(lambda number: 1000 * number)
        codes = collect(converter, 40).codes[2:]
        steps = [codes[i + 1] - codes[i] for i in range(len(codes) - 1)]
        expect(set(steps), {21, 22})


def a_torn_reading_is_read_again():
    converter, _, given = driver()
    converter.probe()
    converter.configure(320_000, 128)
    converter.start()
    given.give(lambda number: (number & 1) * 2 * ONE_MV_PER_V)
    block = collect(converter, 8)
    block.codes.clear()
    for early_us in range(60, 420, 20):  # from the poll to the last data byte
        before = len(block.codes)
        clock.run_to(clock.next_ps + 1)  # one is ready, and stays unread until shortly before the next
        clock.run_to(clock.next_ps - early_us * US)
        converter.fill(block)
        expect(len(block.codes), before + 1)
    assert set(block.codes) <= {0, 0x418937}, block.codes


def what_the_calibration_takes_out():
    converter, chip, _ = driver()
    converter.probe()
    converter.configure(320_000, 128)
    converter.start()
    expect(collect(converter, 2).codes, [0, 0])
    chip.registers[3:6] = bytes(3)
    assert collect(converter, 2).codes[-1] == 0x1234


def another_chip_at_the_address():
    converter, chip, _ = driver()
    plain = chip.reset

    def reset():
        plain()
        chip.registers[1] = 0x55

    chip.reset = reset
    fails(converter.probe, "register 1 reads 0x55")


def nobody_there():
    converter, chip, _ = driver()
    chip.address = 0x40
    fails(converter.probe, "no answer on I2C")


def a_chip_that_never_gets_ready():
    converter, _, given = driver()
    converter.probe()
    converter.configure(320_000, 128)
    converter.start()
    given.give(0, (faults.SILENT, 0))
    block = collect(converter, 1)
    sleep_ms(200)
    fails(lambda: converter.fill(block), "no conversion for 131 ms")


def a_reset_chip_is_told_and_set_up_again():
    converter, _, given = driver()
    converter.probe()
    converter.configure(80_000, 128)
    converter.start()
    collect(converter, 2)
    given.give(0, (faults.CHIP_RESET, 0))
    fails(lambda: collect(converter, 50), "chip reset")
    fails(converter.stop, "chip reset")
    fails(converter.start, "chip reset")
    given.give(ONE_MV_PER_V)
    expect(converter.configure(320_000, 128).hex(), "9e2f70300080")
    converter.start()
    expect(collect(converter, 1).codes, [2147484])
    converter.stop()


def settings_that_changed_are_told():
    converter, chip, _ = driver()
    converter.probe()
    converter.configure(320_000, 128)
    chip.registers[1] = 0x2E
    fails(converter.stop, "register 1 reads 0x2e, not 0x2f")


def a_failed_calibration_is_told():
    converter, chip, _ = driver()
    converter.probe()
    plain = chip._end_calibration

    def end():
        plain()
        chip.registers[2] |= 8

    chip._end_calibration = end
    fails(lambda: converter.configure(320_000, 128), "calibration of the offset failed")


run_check(globals())
