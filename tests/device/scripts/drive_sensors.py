# The board's side sensors on the simulated chips, without a station: drive_sensors.py SILICON CHECK.
from chip_bench import Settings, expect, fails, power_up, run_check, sleep_ms, sleep_us, ticks_diff, ticks_us

import clock
import sense

I2C = {"i2c": 1, "scl": 7, "sda": 6}
SPI = {"spi": 1, "sck": 10, "mosi": 11, "miso": 12, "cs": 13}


class Side:
    """The side of a station, as a list of (values, tick, late)."""

    def __init__(self, channels):
        self.samples = []
        self.lost = []
        self._values = []
        self._channels = channels

    def add(self, value):
        self._values.append(value)

    def add_bytes(self, source, first):
        for i in range(self._channels):
            code = source[first + 2 * i] | source[first + 2 * i + 1] << 8
            self._values.append(code - 0x10000 if code & 0x8000 else code)

    def close_sample(self, tick, late_us):
        self.samples.append((tuple(self._values), tick, late_us))
        self._values = []

    def lose(self, count):
        self.lost.append((len(self.samples), count))


def given(signals):
    """The bench: ``signals`` maps a signal's number to a value or a function of nanoseconds."""

    def means(signal, many, count, last_ps, step_ps, _width_ps):
        found = []
        for i in range(count):
            at_ns = (last_ps - (count - 1 - i) * step_ps) // 1000
            for number in range(signal, signal + many):
                value = signals.get(number, 0)
                found.append(value(at_ns) if callable(value) else value)
        return found

    sense.means = means


def sensor(kind, signals, **facts):
    from sensors import make

    entry = {"sensor": kind}
    for more in (I2C if kind in ("ina226", "ina238", "tmp117") else SPI if kind == "adxl375" else {}, facts):
        entry.update(more)
    Settings.SENSORS = (entry,)
    sense.chips.clear()
    converter, _ = power_up("hx711")
    converter.driven = lambda: True  # so that time goes as the script takes it, whatever the wall says
    clock.choose()
    sleep_ms(3)  # a thermometer starts up
    given(signals)
    made = make(entry)
    return made, sense.chips[0], Side(len(made.channels))


def started(kind, signals, **facts):
    made, chip, side = sensor(kind, signals, **facts)
    made.probe()
    made.configure()
    made.start(ticks_us())
    return made, chip, side


def run(made, side, duration_ms, pass_us=2000):
    since = ticks_us()
    while ticks_diff(ticks_us(), since) < duration_ms * 1000:
        made.collect(side)
        sleep_us(pass_us)
        clock.heard()


def pairs(values):
    return [(values[i], values[i + 1]) for i in range(len(values) - 1)]


def register(chip, number):
    two = bytearray(2)
    chip.read(number, two, 22_500_000)
    return two[0] << 8 | two[1]


def write(chip, number, value):
    chip.write(number, bytes([value >> 8, value & 255]), 22_500_000)


def ready_after_us(chip, start, mask_register, flag):
    """Time from ``start()`` to the flag of a finished round."""
    start()
    begun = clock.now_ps
    while not register(chip, mask_register) & flag:
        clock.spend(5_000_000)
    return (clock.now_ps - begun) / 1e6


# INA226: SBOS547, from memory


def ina226_reset_values():
    _, chip, _ = sensor("ina226", {}, shunt_uohm=500)
    expect([register(chip, n) for n in (0, 5, 7, 0xFE, 0xFF)], [0x4127, 0, 0, 0x5449, 0x2260])
    write(chip, 0, 0x4F9F)
    write(chip, 1, 1)
    expect(chip.refused, 1)
    expect(register(chip, 0), 0x4F9F)
    write(chip, 0, 0x8000)
    expect(register(chip, 0), 0x4127)


def ina226_conversion_times():
    from powerchip import SLOW

    _, chip, _ = sensor("ina226", {}, shunt_uohm=500)
    times = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
    for code in range(8):
        took = ready_after_us(chip, lambda c=code: write(chip, 0, 0x4007 | c << 6 | c << 3), 6, 8)
        assert 0 <= took - 2 * times[code] * SLOW < 120, (code, took)
    for code, averages in enumerate((1, 4, 16, 64)):
        took = ready_after_us(chip, lambda c=code: write(chip, 0, 0x4007 | c << 9), 6, 8)
        assert 0 <= took - 2 * averages * 140 * SLOW < 120, (code, took)


def ina226_codes():
    # 18 V is 14,400 steps of 1.25 mV; 34 A through 0.5 milliohm are 17 mV, 6,800 steps of 2.5 uV
    made, chip, side = started("ina226", {0: 18_000_000, 1: 34_000_000}, shunt_uohm=500)
    expect([one["per_count_nano"] for one in made.channels], [1_250_000, 5_000_000])
    run(made, side, 60)
    expect({values for values, _, _ in side.samples}, {(14_400, 6_800)})
    expect(side.lost, [])
    expect(chip.refused, 0)
    given({0: 40_960_000, 1: -200_000_000})
    side.samples.clear()
    run(made, side, 30)
    expect(side.samples[-1][0], (32_767, -32_768))


def ina226_round_for_round():
    # every round once, each found within a pass of the loop, and none before it is there
    from powerchip import SLOW

    made, _, side = started("ina226", {0: lambda at_ns: at_ns // 1000}, shunt_uohm=500)
    run(made, side, 500)
    expect(side.lost, [])
    period_us = 8 * 588 * SLOW
    assert abs(500_000 / period_us - len(side.samples)) < 2, len(side.samples)
    for (first, _, _), (second, _, _) in pairs(side.samples):
        assert abs((second[0] - first[0]) * 1250 - period_us) < 1300
    for values, tick, late in side.samples[1:]:
        # the value is the time of the last conversion but one and a half, in steps of 1.25 ms
        ready_us = values[0] * 1250 + 1.5 * 1176 * SLOW
        assert -1300 < tick - ready_us < late + 1300, (values, tick, late)
        assert 0 < late < 3000, late


def ina226_a_loop_that_was_held_up():
    made, _, side = started("ina226", {}, shunt_uohm=500)
    run(made, side, 50)
    before = len(side.samples)
    sleep_ms(50)
    run(made, side, 50)
    expect([place for place, _ in side.lost], [before])
    assert abs(sum(count for _, count in side.lost) - 10) <= 1, side.lost


def ina226_what_goes_wrong():
    made, chip, side = started("ina226", {}, shunt_uohm=500)
    run(made, side, 30)
    chip.freeze()
    fails(lambda: run(made, side, 500), "no new value")
    made, chip, side = started("ina226", {}, shunt_uohm=500)
    chip.silent = True
    fails(lambda: run(made, side, 50), "no answer on I2C at 0x40")
    made, chip, side = started("ina226", {}, shunt_uohm=500)
    chip.reset()
    fails(made.stop, "register 0x00 reads 0x4127")
    made, chip, _ = sensor("ina226", {}, shunt_uohm=500, address=0x45)
    made.probe()
    made.registers.address = 0x44
    fails(made.probe, "no answer on I2C at 0x44")


# INA238: SBOSA20, from memory


def ina238_reset_values():
    _, chip, _ = sensor("ina238", {}, shunt_uohm=500)
    expect([register(chip, n) for n in (0, 1, 2, 0x3E, 0x3F)], [0, 0xFB68, 0x1000, 0x5449, 0x2381])
    write(chip, 0x3E, 0)
    expect(chip.refused, 1)


def ina238_conversion_times():
    from powerchip import SLOW

    _, chip, _ = sensor("ina238", {}, shunt_uohm=500)
    for code, time_us in enumerate((50, 84, 150, 280, 540, 1052, 2074, 4120)):
        took = ready_after_us(chip, lambda c=code: write(chip, 1, 0xB000 | c << 9 | c << 6), 0x0B, 2)
        assert 0 <= took - 2 * time_us * SLOW < 120, (code, took)
    for code, averages in enumerate((1, 4, 16, 64)):
        took = ready_after_us(chip, lambda c=code: write(chip, 1, 0xB000 | c), 0x0B, 2)
        assert 0 <= took - 2 * averages * 50 * SLOW < 120, (code, took)


def ina238_codes():
    # 54 V is 17,280 steps of 3.125 mV; 40 A through 0.5 milliohm are 20 mV: 4,000 steps of 5 uV or 16,000
    for fine, code in ((0, 4_000), (1, 16_000)):
        made, chip, side = started("ina238", {0: 54_000_000, 1: 40_000_000}, shunt_uohm=500, shunt_range=fine)
        expect(made.channels[1]["per_count_nano"], 10_000_000 if not fine else 2_500_000)
        expect(made.channels[0]["per_count_nano"], 3_125_000)
        run(made, side, 40)
        expect(side.samples[-1][0], (17_280, code))
        expect(chip.refused, 0)
        made.stop()


# TMP117: SNOS D82, from memory


def tmp117_reset_values():
    _, chip, _ = sensor("tmp117", {})
    sleep_ms(3)
    expect([register(chip, n) for n in (1, 2, 3, 0, 0x0F)], [0x0220, 0x6000, 0x8000, 0x8000, 0x0117])


def tmp117_codes():
    # from memory of the data sheet's table: 25 C is 0C80h, -0.0078125 C is FFFFh, 150 C is 4B00h
    for micro_c, code in ((25_000_000, 0x0C80), (-7_812, -1), (150_000_000, 0x4B00), (0, 0)):
        made, _, side = started("tmp117", {5: micro_c})
        expect(made.channels[0]["per_count_nano"], 7_812_500)
        run(made, side, 300)
        expect({values for values, _, _ in side.samples}, {(code,)})


def tmp117_eight_a_second():
    made, _, side = started("tmp117", {5: 20_000_000})
    run(made, side, 2100)
    assert 16 <= len(side.samples) <= 17, len(side.samples)
    expect(side.lost, [])
    for (_, first, _), (_, second, late) in pairs(side.samples):
        assert abs(ticks_diff(second, first) - 123_750) < 2 * late + 100
    made.stop()


def tmp117_what_goes_wrong():
    made, chip, side = started("tmp117", {5: 20_000_000})
    chip.freeze()
    fails(lambda: run(made, side, 1500), "no new value for 750 ms")
    made, chip, _ = started("tmp117", {5: 20_000_000})
    chip.reset()
    sleep_ms(5)
    fails(made.stop, "reads 0x0220")


# ADXL375, from memory


def adxl375_reset_values():
    made, chip, _ = sensor("adxl375", {})
    expect([made._get(n) for n in (0x00, 0x2C, 0x2D, 0x30, 0x31, 0x38, 0x39)], [0xE5, 0x0A, 0, 2, 0, 0, 0])
    made._set(0, 1)
    expect(chip.refused, 1)


def adxl375_codes():
    # 49 mg a count: 100 g are 2,041 counts; a range of 13 bits, so 200.7 g at most
    g = 9806.65
    made, chip, side = started("adxl375", {2: round(100 * g), 3: round(-g), 4: round(250 * g)})
    run(made, side, 20)
    expect({values for values, _, _ in side.samples[2:]}, {(2041, -20, 4095)})
    expect(made.channels[2]["saturation_high"], 4095)
    expect(chip.violations, {})
    expect(made.configure().hex(), "0b0f8008")


def adxl375_every_sample_once_and_in_order():
    made, chip, side = started("adxl375", {2: lambda at_ns: at_ns // 1000})
    run(made, side, 200)
    expect(chip.violations, {})
    expect(side.lost, [])
    period_us = 312.5 / 1.0083
    times = [values[0] * 480.5 for values, _, _ in side.samples]
    for first, second in pairs(times):
        assert abs(second - first - period_us) < 481, (first, second)
    assert abs(200_000 / period_us - len(times)) < 12, len(times)
    for values, tick, late in side.samples[1:]:
        # what it shows is a period old when it is ready; the mean is asked for half a period after its middle
        ready_us = values[0] * 480.5 + 0.5 * period_us
        assert -300 < tick - ready_us < late + 330, (values, tick)


def adxl375_a_loop_that_was_held_up():
    made, chip, side = started("adxl375", {2: lambda at_ns: at_ns // 1000})
    run(made, side, 20)
    before = len(side.samples)
    expect(chip.overrun, False)
    sleep_ms(40)
    run(made, side, 20)
    expect(chip.overrun, True)
    expect([place for place, _ in side.lost], [before])
    # 33 samples were kept of 40 ms and a pass of the loop
    gap_us = (side.samples[before][0][0] - side.samples[before - 1][0][0]) * 480.5
    assert abs(side.lost[0][1] + 1 - gap_us / (312.5 / 1.0083)) <= 3, (side.lost, gap_us)


def adxl375_what_goes_wrong():
    made, chip, side = started("adxl375", {})
    chip.freeze()
    fails(lambda: run(made, side, 300), "no sample for 100 ms")
    made, chip, side = started("adxl375", {})
    chip.silent = True
    fails(lambda: run(made, side, 30), "no answer on SPI")
    made, chip, side = started("adxl375", {})
    chip.registers[0x2C] = 0x0A
    fails(made.stop, "register 0x2c reads 0x0a, not 0x0f")
    made, chip, _ = sensor("adxl375", {})
    chip.silent = True
    fails(made.probe, "device number reads 0xff")
    made, chip, _ = sensor("adxl375", {})
    chip.mode = 0
    fails(made.probe, "device number")
    assert chip.violations["mode"] > 0


# the contact


def contact_edges_and_bounces():
    # closed from 50 to 120 ms, bouncing for 3 ms either way
    def closed(at_ns):
        for edge, state in ((120_000_000, 0), (50_000_000, 1)):
            if at_ns >= edge:
                return state if at_ns - edge > 3_000_000 else (at_ns // 400_000) % 2
        return 0

    made, _, side = started("contact", {6: closed}, pin=22)
    begun = clock.now_ps // 1_000_000
    run(made, side, 200, 700)
    states = [values[0] for values, _, _ in side.samples]
    assert len(states) in (40, 41), len(states)
    rises = [i for i in range(1, len(states)) if states[i] > states[i - 1]]
    falls = [i for i in range(1, len(states)) if states[i] < states[i - 1]]
    expect((len(rises), len(falls)), (1, 1))
    assert abs(rises[0] * 5000 + begun - 50_000) < 5000 + 3000 + 800
    assert abs(falls[0] * 5000 + begun - 120_000) < 5000 + 3000 + 800
    made.stop()


def contact_slots_keep_to_the_boards_clock():
    made, _, side = started("contact", {}, pin=22)
    begun = ticks_us()
    run(made, side, 100, 1700)
    for i, (_, tick, late) in enumerate(side.samples):
        assert abs(ticks_diff(tick, begun) - late / 2 - i * 5000) < 200, (i, tick, late)
        assert late < 2500


if __name__ == "__main__":
    run_check(globals())
