# Checks of the simulated ADS1256: check_ads1256.py SILICON CHECK [VECTORS]. Numbers are the data sheet's
# (TI SBAS288K) unless said otherwise.
import sys

from chip_bench import ADS_PINS, power_up, run_check, sleep_ms, sleep_us, ticks_us

import clock
import faults
from machine import SPI, Pin, disable_irq, enable_irq

US = 1_000_000
MS = 1_000_000_000
SELFCAL, SYNC, STANDBY, RESET, WAKEUP = 0xF0, 0xFC, 0xFD, 0xFE, 0x00
RDATA, RDATAC, SDATAC = 0x01, 0x03, 0x0F


class Driver:
    """The least that talks to the chip."""

    def __init__(self, polarity=0, phase=1, baudrate=1_920_000):
        self.chip, self.given = power_up("ads1256")
        self.cs = Pin(ADS_PINS["cs"], Pin.OUT, value=1)
        self.drdy = Pin(ADS_PINS["drdy"], Pin.IN)
        self.spi = SPI(0, baudrate=baudrate, polarity=polarity, phase=phase)
        self.cs(0)
        self.await_ready()

    def await_ready(self):
        while self.drdy():
            sleep_us(10)

    def command(self, *sent, wait_us=4):
        self.spi.write(bytes(sent))
        sleep_us(wait_us)

    def read(self, first, count, wait_us=7):
        self.spi.write(bytes([0x10 | first, count - 1]))
        sleep_us(wait_us)
        found = bytearray(count)
        self.spi.readinto(found)
        sleep_us(4)
        return bytes(found)

    def write(self, first, *values):
        self.command(0x50 | first, len(values) - 1, *values)

    def set_up(self, drate=0xF0, adcon=0x20, mux=0x01, status=0x02):
        self.write(0, status, mux, adcon, drate)
        self.command(SELFCAL)
        self.await_ready()

    def code(self):
        """The latest code, by RDATA."""
        self.spi.write(bytes([RDATA]))
        sleep_us(7)
        found = bytearray(3)
        self.spi.readinto(found)
        sleep_us(4)
        return signed(found)

    def start(self, handler):
        self.command(SYNC)
        self.command(WAKEUP, wait_us=0)
        self.await_ready()
        self.command(RDATAC, wait_us=7)
        self.drdy.irq(handler=handler, trigger=Pin.IRQ_FALLING, hard=True)

    def collect(self, count):
        """(ticks, codes) of ``count`` data-readies, reading continuously."""
        ticks, codes, taken = [], [], bytearray(3)

        def on_ready(_pin):
            ticks.append(ticks_us())
            self.spi.readinto(taken)
            codes.append(signed(taken))

        self.start(on_ready)
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
    # after the self-calibration that follows a reset: OFC 0, FSC ideal; STATUS bit 0 is DRDY, low here
    expect(driver.read(0, 11).hex(), "300120f0e000000008ac44")
    driver.write(1, 0x23, 0x05)
    expect(driver.read(1, 2).hex(), "2305")
    driver.command(RESET)
    driver.await_ready()
    expect(driver.read(1, 4).hex(), "0120f0e0")
    expect(driver.chip.violations, {})


def reset_pin():
    driver = Driver()
    driver.write(1, 0x23)
    pin = Pin(ADS_PINS["reset"], Pin.OUT, value=1)
    pin(0)
    expect(driver.read(1, 1), b"\x23")
    pin(1)
    expect(driver.drdy(), 1)
    driver.await_ready()
    expect(driver.read(1, 1), b"\x01")


def reading_wraps_to_register_0():
    driver = Driver()
    expect(driver.read(9, 5).hex(), "ac44300120")


def identity_and_data_ready_cannot_be_written():
    driver = Driver()
    driver.write(0, 0xFF & ~0x08)
    expect(driver.read(0, 1)[0] | 1, 0x37)


def waiting_times():
    driver = Driver()
    expect(driver.read(1, 1, wait_us=3), b"\xff")
    expect(driver.chip.violations, {"t6": 1})
    driver.command(SDATAC, wait_us=1)
    driver.command(SYNC, wait_us=4)  # t11 after SDATAC not kept
    expect(driver.chip.violations, {"t6": 1, "t11": 1})
    driver.command(SELFCAL)
    driver.command(SDATAC)
    expect(driver.chip.violations, {"t6": 1, "t11": 1, "busy": 1})
    driver.await_ready()
    driver.spi.write(bytes([SDATAC]))
    driver.chip.select(1)  # t10 not kept: a pin of the board would take a microsecond
    expect(driver.chip.violations, {"t6": 1, "t11": 1, "busy": 1, "t10": 1})
    driver.chip.select(0)
    driver.command(0xA5)
    expect(driver.chip.violations["command"], 1)


def wrong_mode_and_clock():
    driver = Driver(polarity=0, phase=0)
    driver.command(SDATAC)
    assert driver.chip.violations["mode"] > 0
    fast = SPI(0, baudrate=4_000_000, polarity=0, phase=1)
    fast.write(b"\x0f")
    expect(driver.chip.violations["sclk"], 1)


def nobody_answers_without_chip_select():
    driver = Driver()
    driver.cs(1)
    expect(driver.read(0, 2), b"\xff\xff")


def calibration_times():
    driver = Driver()
    # SELFCAL at 2.5 SPS: 1227 ms (a maker's forum); the others from memory of the data sheet's table
    for drate, expected_us in ((0xF0, 596), (0xE0, 692), (0xD0, 892), (0xC0, 1300), (0x03, 1227200)):
        driver.write(3, drate)
        driver.spi.write(bytes([SELFCAL]))
        began_ps = clock.now_ps
        expect(driver.drdy(), 1)
        expect((clock.next_ps - began_ps) // US, expected_us)
        clock.run_to(clock.next_ps)
        expect(driver.drdy(), 0)


def settling_times():
    driver = Driver()
    # t18 in units of 10 us
    for drate, expected in (
        (0xF0, 21),
        (0xE0, 25),
        (0xD0, 31),
        (0xC0, 44),
        (0xB0, 68),
        (0xA1, 118),
        (0x92, 218),
        (0x82, 1018),
    ):
        driver.set_up(drate)
        driver.command(SYNC)
        driver.command(WAKEUP, wait_us=0)
        assert abs(clock.next_ps - clock.now_ps - expected * 10 * US) < 8 * US, (
            drate,
            clock.next_ps - clock.now_ps,
        )


def data_rates():
    driver = Driver()
    # in tenths of a sample per second
    for drate, rate in (
        (0xF0, 300000),
        (0xE0, 150000),
        (0xD0, 75000),
        (0xC0, 37500),
        (0xB0, 20000),
        (0xA1, 10000),
        (0x92, 5000),
        (0x82, 1000),
        (0x72, 600),
        (0x63, 500),
        (0x53, 300),
        (0x43, 250),
        (0x33, 150),
        (0x23, 100),
        (0x13, 50),
        (0x03, 25),
    ):
        driver.write(3, drate)
        assert abs(clock.period_ps * rate - 10_000_000_000_000) < 1_000_000, drate
    driver.write(3, 0x99)
    expect(driver.chip.violations["rate"], 1)
    expect(driver.read(3, 1), b"\x03")


def data_ready_line():
    driver = Driver()
    driver.set_up(0x92)  # 500 SPS: a period of 2 ms
    driver.await_ready()
    period_ps = clock.period_ps
    clock.run_to(clock.next_ps - 3 * US)
    expect(driver.chip.data_ready(), 0)  # unread: low until 16 clock periods (2.08 us) before the next
    clock.run_to(clock.next_ps - 2 * US)
    expect(driver.chip.data_ready(), 1)
    clock.run_to(clock.next_ps)
    expect(driver.chip.data_ready(), 0)
    driver.code()
    expect(driver.chip.data_ready(), 1)  # high with the 24th bit
    clock.run_to(clock.next_ps)
    expect(driver.chip.data_ready(), 0)
    expect(clock.period_ps, period_ps)


def halting():
    driver = Driver()
    for command in (SYNC, STANDBY):
        driver.command(command)
        expect(driver.drdy(), 1)
        sleep_ms(2)
        expect(driver.drdy(), 1)
        driver.command(WAKEUP)
        driver.await_ready()


def vectors():
    driver = Driver()
    rows = 0
    for kind, name, given, wanted in read_vectors():
        if kind != "ads1256":
            continue
        gain = int(name.split()[0].split("=")[1])
        driver.given.give(int(given) * 10_000)
        driver.set_up(0xD0, adcon=[1, 2, 4, 8, 16, 32, 64].index(gain))
        expect("%06x" % (driver.code() & 0xFFFFFF), wanted)
        rows += 1
    print(rows)


def read_vectors():
    with open(sys.argv[3]) as file:
        file.readline()
        for line in file:
            yield line.split(",")[:4]


def full_scale_ends():
    driver = Driver()
    lsb_100pv = 5_000_000 * 10_000 / 8388607  # gain 1 does not reach: int32 ends at 0.21 V
    expect(round(lsb_100pv), 5960)
    driver.set_up(0xF0, adcon=6)
    for units, wanted in (
        (781_250_000, 0x7FFFFF),
        (781_250_100, 0x7FFFFF),
        (-781_250_000, -0x7FFFFF),
        (-781_250_094, -0x800000),
        (-781_250_300, -0x800000),
        (2**31 - 1, 0x7FFFFF),
        (-(2**31), -0x800000),
        (46, 0),
        (47, 1),
        (-46, 0),
        (-47, -1),
    ):
        driver.given.give(units)
        driver.set_up(0xF0, adcon=6)
        expect(driver.code(), wanted)


def plain(values, gain):
    """Code of the mean of ``values``, exactly, rounded to nearest."""
    whole = len(values) * 50_000_000_000
    code = (2 * sum(values) * gain * 0x7FFFFF + whole) // (2 * whole)
    return min(max(code, -0x800000), 0x7FFFFF)


def scattered(number):
    """Values all over the scale and beyond."""
    return (number * 1_234_567_891) % (1 << 31) - (1 << 30)


def averaging():
    for drate, averaged in ((0xF0, 1), (0xE0, 2), (0xD0, 4), (0xB0, 15), (0x82, 300)):
        driver = Driver()
        driver.given.give(scattered)
        driver.set_up(drate, adcon=6 if averaged == 1 else 0)
        gain = 64 if averaged == 1 else 1
        _, codes = driver.collect(500 if averaged < 300 else 20)
        values = [scattered(i) for i in range(averaged * (len(codes) + 300))]
        wanted = [plain(values[i : i + averaged], gain) for i in range(0, len(values) - averaged, averaged)]
        first = wanted.index(codes[0])
        expect(codes, wanted[first : first + len(codes)])
        assert averaged > 1 or (max(codes) == 0x7FFFFF and min(codes) == -0x800000)
        expect(driver.chip.violations, {})


def slowest_rate():
    driver = Driver()
    driver.given.give(lambda number: number % 1000)
    driver.set_up(0x03, adcon=6)
    # 12000 values 0..999: a mean of 499.5 * 100 pV, times 64 / 5 V * (2^23 - 1) is 5.36
    expect(driver.code(), 5)


def ticks_are_data_ready():
    driver = Driver()
    driver.set_up(0xD0)
    ticks, _ = driver.collect(300)
    for i in range(1, 300):
        assert 133 <= ticks[i] - ticks[i - 1] <= 134, i
    expect(round((ticks[299] - ticks[0]) / 299 * 30), 4000)


def interrupts_held_off():
    driver = Driver()
    driver.set_up(0xD0)
    calls = []
    driver.start(lambda _pin: calls.append(ticks_us()))
    state = disable_irq()
    for _ in range(1000):  # a millisecond of pin reading: 7 data-readies, remembered as one
        driver.cs()
    expect(len(calls), 0)
    enable_irq(state)
    expect(len(calls), 1)


def continuous_reading_ends():
    for byte in (SDATAC, RESET):
        driver = Driver()
        driver.given.give(500_000_000)
        driver.set_up(0xD0, adcon=6)
        driver.collect(3)
        found = bytearray(3)
        driver.await_ready()
        driver.spi.readinto(found)
        expect(signed(found), plain([500_000_000], 64))
        driver.await_ready()
        driver.spi.write(bytes([byte]))
        expect(driver.chip.driven(), False)
        sleep_us(4)
        driver.await_ready()
        expect(driver.read(2, 1), b"\x20" if byte == RESET else b"\x06")


def reading_into_the_next_data_ready():
    driver = Driver()
    driver.set_up(0xF0)
    driver.collect(3)
    driver.await_ready()
    driver.spi.readinto(bytearray(1))
    clock.run_to(clock.next_ps)
    driver.spi.readinto(bytearray(1))
    expect(driver.chip.violations, {"overrun": 1})


def gain_and_input_change_at_once():
    driver = Driver()
    driver.given.give(10_000_000)
    driver.set_up(0xD0, adcon=0)
    expect(driver.code(), plain([10_000_000], 1))
    driver.write(2, 6)
    expect(driver.code(), plain([10_000_000], 64))
    driver.write(1, 0x10)
    expect(driver.code(), plain([-10_000_000], 64))
    driver.write(1, 0x23)
    expect(driver.code(), 0)


def rate_without_calibration():
    driver = Driver()
    driver.given.give(10_000_000)
    driver.set_up(0xD0, adcon=6)
    driver.write(3, 0xA1)
    driver.await_ready()
    # FSC is still 44AC08h where 1 kSPS wants 494008h
    ideal = plain([10_000_000], 64)
    assert abs(driver.code() - ideal * 0x44AC08 / 0x494008) < 1
    driver.command(SELFCAL)
    driver.await_ready()
    expect(driver.code(), ideal)
    driver.write(0, 0x06)  # ACAL: from now on by itself
    driver.write(3, 0xD0)
    expect(driver.drdy(), 1)
    driver.await_ready()
    expect(driver.read(8, 3).hex(), "08ac44")


def offset_register():
    driver = Driver()
    driver.given.give(0)
    driver.set_up(0xD0, adcon=6)
    driver.write(5, 0x00, 0x00, 0x20)  # OFC 200000h is half of alpha 400000h: half of 2^23 - 1, negative
    expect(driver.code(), -0x3FFFFF)


def bit_order():
    driver = Driver()
    driver.write(0, 0x0A)
    expect(driver.read(3, 1), b"\x0f")  # DRATE F0, least significant bit first


def missed():
    driver = Driver()
    driver.set_up(0xD0)
    driver.given.give(scattered, (faults.MISSED_READY, 3))
    ticks, _ = driver.collect(50)
    gaps = [i for i in range(1, 50) if ticks[i] - ticks[i - 1] > 200]
    expect(len(gaps), 1)
    assert 533 <= ticks[gaps[0]] - ticks[gaps[0] - 1] <= 534


def extra():
    driver = Driver()
    driver.given.give(scattered)
    driver.set_up(0xD0)
    driver.given.give(scattered, (faults.EXTRA_READY, 2))
    ticks, codes = driver.collect(50)
    short = [i for i in range(1, 50) if ticks[i] - ticks[i - 1] < 100]
    expect(len(short), 2)
    for i in short:
        expect(codes[i], codes[i - 1])


def silent():
    driver = Driver()
    driver.set_up(0xD0)
    driver.given.give(scattered, (faults.SILENT, 20))
    ticks, _ = driver.collect(50)
    expect([(ticks[i] - ticks[i - 1]) // 1000 for i in range(1, 50)].count(20), 1)
    driver.await_ready()
    driver.command(SDATAC)
    driver.given.give(scattered, (faults.SILENT, 0))
    driver.set_up(0xD0)
    driver.code()
    expect(clock.next_ps, clock.FAR)


def chip_reset():
    driver = Driver()
    driver.set_up(0xD0)
    driver.given.give(scattered, (faults.CHIP_RESET, 0))
    driver.code()
    expect(driver.drdy(), 1)
    driver.await_ready()
    expect(driver.read(3, 1), b"\xf0")


run_check(globals())
