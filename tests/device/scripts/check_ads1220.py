# Checks of the simulated ADS1220: check_ads1220.py SILICON CHECK. Commands, registers and codes are the data
# sheet's (TI SBAS501); conversion times in clock periods are from memory of it.
from chip_bench import ADS_PINS, power_up, run_check, sleep_us, ticks_us

import clock
import faults
from machine import SPI, Pin

US = 1_000_000
ONE_MV_PER_V = 100_000_000
RESET, START, POWERDOWN, RDATA = 0x06, 0x08, 0x02, 0x10
TURBO_2000 = 6 << 5 | 0x10 | 0x04
NORMAL_20 = 0x04


class Driver:
    """The least that talks to the chip."""

    def __init__(self, phase=1, baudrate=2_000_000):
        self.chip, self.given = power_up("ads1220")
        self.cs = Pin(ADS_PINS["cs"], Pin.OUT, value=1)
        self.drdy = Pin(ADS_PINS["drdy"], Pin.IN)
        self.spi = SPI(0, baudrate=baudrate, polarity=0, phase=phase)
        sleep_us(100)
        self.cs(0)

    def await_ready(self):
        while self.drdy():
            sleep_us(10)

    def command(self, *sent):
        self.cs(1)
        self.cs(0)
        self.spi.write(bytes(sent))

    def read(self, first, count):
        self.command(0x20 | first << 2 | count - 1)
        found = bytearray(count)
        self.spi.readinto(found)
        return bytes(found)

    def set_up(self, config0=0x0E, config1=TURBO_2000, config2=0x40):
        self.command(0x43, config0, config1, config2, 0)
        self.command(START)

    def code(self):
        self.await_ready()
        found = bytearray(3)
        self.spi.readinto(found)
        return signed(found)

    def collect(self, count):
        ticks, codes, taken = [], [], bytearray(3)

        def on_ready(_pin):
            ticks.append(ticks_us())
            self.spi.readinto(taken)
            codes.append(signed(taken))

        self.drdy.irq(handler=on_ready, trigger=Pin.IRQ_FALLING, hard=True)
        while len(codes) < count:
            clock.idle()
        self.drdy.irq(handler=None)
        return ticks[:count], codes[:count]


def signed(found):
    code = found[0] << 16 | found[1] << 8 | found[2]
    return code - 0x1000000 if code & 0x800000 else code


def expect(found, wanted):
    assert found == wanted, "%r, not %r" % (found, wanted)


def registers_after_reset():
    driver = Driver()
    expect(driver.read(0, 4).hex(), "00000000")
    driver.command(0x44 | 1, 0xD4, 0x40)
    expect(driver.read(1, 2).hex(), "d440")
    driver.command(RESET)
    sleep_us(100)
    expect(driver.read(0, 4).hex(), "00000000")
    expect(driver.chip.violations, {})


def nothing_is_taken_right_after_a_reset():
    driver = Driver()
    driver.command(RESET)
    driver.command(START)
    expect(driver.chip.violations, {"reset": 1})


def wrong_mode_clock_and_command():
    driver = Driver(phase=0)
    driver.command(START)
    expect(driver.chip.violations, {"mode": 1})
    SPI(0, baudrate=8_000_000, polarity=0, phase=1).write(b"\x00")
    expect(driver.chip.violations["sclk"], 1)
    SPI(0, baudrate=1_000_000, polarity=0, phase=1).write(b"\xf0")
    expect(driver.chip.violations["command"], 1)


def data_rates():
    driver = Driver()
    # nominal samples a second in normal mode; turbo doubles them. Conversions of 2121 to 204768 periods of
    # 4.096 MHz fall short of the name by up to 3.5 %, the model is within 1.4 % of those
    clocks = (204768, 91218, 46226, 23762, 12562, 6994, 4242)
    for code, rate in enumerate((20, 45, 90, 175, 330, 600, 1000)):
        for mode, factor in ((0x00, 1), (0x10, 2)):
            driver.set_up(config1=code << 5 | mode | 4)
            sheet_ps = clocks[code] * 1_000_000_000_000 // (4_096_000 * factor)
            assert abs(clock.period_ps - sheet_ps) < sheet_ps // 70, (code, clock.period_ps, sheet_ps)
            assert abs(clock.period_ps * rate * factor - 10**12) < 45 * 10**9, code
    driver.set_up(config1=7 << 5 | 4)
    assert driver.chip.violations["rate"] > 0


def the_first_conversion_is_settled():
    driver = Driver()
    driver.given.give(ONE_MV_PER_V)
    for config1 in (TURBO_2000, NORMAL_20):
        driver.set_up(config1=config1)
        expect(clock.next_ps - clock.now_ps, clock.period_ps)
        expect(driver.code(), 1_073_742)


def every_gain():
    driver = Driver()
    for code in range(8):
        gain = 1 << code
        for sign in (1, -1):
            driver.given.give(sign * ONE_MV_PER_V)
            driver.set_up(config0=code << 1)
            # full scale, 2^23, is the reference over the gain
            expect(driver.code(), sign * int(2**23 * gain / 1000 + 0.5))


def saturation():
    driver = Driver()
    for input_, wanted in ((8, 0x7FFFFF), (7.8124996, 0x7FFFFF), (-8, -0x800000), (-7.8125, -0x800000)):
        driver.given.give(int(input_ * ONE_MV_PER_V))
        driver.set_up()
        expect(driver.code(), wanted)


def other_inputs_and_references():
    driver = Driver()
    driver.given.give(ONE_MV_PER_V)
    driver.set_up(config0=0x6E)  # AIN1 and AIN0, the other way round
    expect(driver.code(), -1_073_742)
    driver.set_up(config0=0xEE)  # shorted
    expect(driver.code(), 0)
    driver.set_up(config2=0x00)  # the internal reference does not divide by the excitation
    expect(driver.code(), 0)
    driver.set_up(config0=0x0F)  # PGA bypassed: gain 4 at most
    expect(driver.code(), int(2**23 * 4 / 1000 + 0.5))


def slow_rates_average():
    # six first-stage values from one conversion to the next at 1000 S/s, the mean of four in each
    seen = []
    for late in range(6):
        driver = Driver()
        driver.given.give(lambda number, at=40 + late: (1 << 24) if number == at else 0)
        driver.set_up(config1=6 << 5 | 4)
        seen += [code for code in [driver.code() for _ in range(12)] if code]
    expect(seen, [int((1 << 24) * 128 * 2**23 / 4 / 10**11 + 0.5)] * 4)


def data_ready_line():
    driver = Driver()
    driver.set_up(config1=NORMAL_20)
    expect(driver.drdy(), 1)
    driver.await_ready()
    clock.run_to(clock.next_ps - 5 * US)
    expect(driver.chip.data_ready(), 0)
    clock.run_to(clock.next_ps - 3 * US)
    expect(driver.chip.data_ready(), 1)
    clock.run_to(clock.next_ps)
    expect(driver.chip.data_ready(), 0)
    driver.spi.readinto(bytearray(1))
    expect(driver.chip.data_ready(), 1)  # high with the first clock


def single_shot():
    driver = Driver()
    driver.set_up(config1=TURBO_2000 & ~4)
    driver.code()
    expect(clock.next_ps, clock.FAR)
    driver.command(START)
    driver.code()


def powered_down():
    driver = Driver()
    driver.set_up()
    driver.command(POWERDOWN)
    expect(clock.next_ps, clock.FAR)


def reading_by_command():
    driver = Driver()
    driver.given.give(ONE_MV_PER_V)
    driver.set_up()
    driver.code()
    driver.command(RDATA)
    found = bytearray(3)
    driver.spi.readinto(found)
    expect(signed(found), 1_073_742)


def reading_into_the_next_data_ready():
    driver = Driver()
    driver.set_up()
    driver.await_ready()
    driver.spi.readinto(bytearray(2))
    clock.run_to(clock.next_ps)
    driver.spi.readinto(bytearray(1))
    expect(driver.chip.violations, {"overrun": 1})


def writing_a_register_starts_anew():
    driver = Driver()
    driver.set_up()
    driver.await_ready()
    driver.command(0x40, 0x0C)
    expect(driver.drdy(), 1)
    expect(clock.period_ps, 3 * 172_607_422)


def ticks_are_data_ready():
    driver = Driver()
    driver.set_up()
    ticks, _ = driver.collect(200)
    for i in range(1, 200):
        assert 517 <= ticks[i] - ticks[i - 1] <= 519, i


def missed():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.MISSED_READY, 3))
    ticks, _ = driver.collect(50)
    gaps = [ticks[i] - ticks[i - 1] for i in range(1, 50) if ticks[i] - ticks[i - 1] > 600]
    expect(len(gaps), 1)
    assert 2070 <= gaps[0] <= 2073


def extra():
    driver = Driver()
    driver.set_up()
    driver.given.give(ONE_MV_PER_V, (faults.EXTRA_READY, 2))
    ticks, _ = driver.collect(50)
    expect(len([i for i in range(1, 50) if ticks[i] - ticks[i - 1] < 300]), 2)


def silent():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.SILENT, 20))
    ticks, _ = driver.collect(20)
    expect(len([i for i in range(1, 20) if ticks[i] - ticks[i - 1] > 20_000]), 1)


def chip_reset():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.CHIP_RESET, 0))
    driver.code()
    expect(clock.next_ps, clock.FAR)
    expect(driver.read(0, 4).hex(), "00000000")


run_check(globals())
