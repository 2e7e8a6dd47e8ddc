# Checks of the simulated HX711: check_hx711.py SILICON CHECK [VECTORS]. Numbers are the data sheet's.
import sys

from chip_bench import HX_PINS, power_up, run_check, sleep_ms, sleep_us

import clock
import faults
from machine import Pin

US = 1_000_000
MS = 1_000_000_000


class Driver:
    """The least that talks to the chip."""

    def __init__(self, rate_hz=80):
        self.chip, self.given = power_up("hx711", 1_000_000_000_000 // rate_hz)
        self.clock = Pin(HX_PINS["clock"], Pin.OUT, value=0)
        self.data = Pin(HX_PINS["data"], Pin.IN, Pin.PULL_UP)

    def restart(self):
        self.clock(1)
        sleep_us(100)
        self.clock(0)

    def await_ready(self):
        while self.data():
            sleep_us(100)

    def pulses(self, count):
        bits = 0
        for _ in range(count):
            self.clock(1)
            self.clock(0)
            bits = bits << 1 | self.data()
        return bits

    def read(self, pulses=25):
        self.await_ready()
        bits = self.pulses(24)
        self.pulses(pulses - 24)
        return bits


def expect(found, wanted):
    assert found == wanted, "%r, not %r" % (found, wanted)


def vectors():
    driver = Driver()
    gain_now = 128
    rows = 0
    with open(sys.argv[3]) as file:
        file.readline()
        for line in file:
            kind, name, given, wanted = line.split(",")[:4]
            if kind != "hx711":
                continue
            gain = int(name.split()[0].split("=")[1])
            pulses = {128: 25, 32: 26, 64: 27}[gain]
            driver.given.give(round(float(given) * 100_000_000))
            if gain != gain_now:
                driver.read(pulses)
            gain_now = gain
            expect("%06x" % driver.read(pulses), wanted)
            rows += 1
    expect(driver.chip.comm_errors, 0)
    print(rows)


def settles_after_power_up():
    for rate_hz, settling_ms in ((80, 50), (10, 400)):
        driver = Driver(rate_hz)
        driver.restart()
        began_ps = clock.now_ps
        driver.await_ready()
        assert settling_ms * MS <= clock.now_ps - began_ps <= settling_ms * MS + 200 * US


def dout_after_a_reading():
    driver = Driver()
    driver.await_ready()
    driver.pulses(24)
    driver.pulses(1)
    expect(driver.data(), 1)
    before_ps = clock.next_ps - clock.now_ps
    assert before_ps <= 12_500 * US
    driver.await_ready()
    expect(driver.chip.comm_errors, 0)


def a_new_gain_settles_for_four_periods():
    driver = Driver()
    driver.given.give(100_000_000)
    driver.read(25)
    driver.read(27)
    began_ps = clock.now_ps
    driver.await_ready()
    assert 50_000 * US - 200 * US <= clock.now_ps - began_ps <= 50_000 * US + 200 * US
    expect(driver.read(27), 0x10624E)
    began_ps = clock.now_ps
    driver.await_ready()
    assert clock.now_ps - began_ps <= 12_500 * US + 200 * US


def power_down_brings_back_gain_128():
    driver = Driver()
    driver.given.give(100_000_000)
    driver.read(27)
    expect(driver.read(27), 0x10624E)
    driver.clock(1)
    sleep_us(50)
    expect(driver.data(), 1)  # between conversions
    sleep_us(20)
    driver.clock(0)
    expect(driver.read(25), 0x20C49C)
    expect(driver.chip.long_highs, 1)


def unread_conversions_are_overwritten():
    driver = Driver()
    driver.given.give(lambda number: 100_000_000 * number)
    first = driver.read()
    sleep_ms(26)
    assert driver.read() - first > 2 * 0x20C49C - 10


def wrong_pulse_counts():
    for count in (24, 28):
        driver = Driver()
        driver.await_ready()
        driver.pulses(count)
        sleep_ms(14)
        expect(driver.chip.comm_errors, 1)


def a_reading_cut_short_shows_ones():
    for kept, wanted in ((2, 0x3FFFFF), (4, 0x0FFFFF)):
        driver = Driver()
        driver.given.give(1000)
        driver.await_ready()
        bits = driver.pulses(kept)
        driver.clock(1)
        sleep_us(61)
        driver.clock(0)
        for _ in range(24 - kept):
            bits = bits << 1 | driver.data()
            driver.clock(1)
            driver.clock(0)
        expect(bits, wanted)


def stretched_clock():
    driver = Driver()
    driver.given.give(1000, (faults.STRETCHED_CLOCK, 5))
    expect(driver.read(), 0x0FFFFF)
    expect(driver.chip.long_highs, 1)


def chip_reset():
    driver = Driver()
    driver.given.give(1000, (faults.CHIP_RESET, 8))
    expect(driver.read(), 0x01FFFF)
    expect(driver.chip.long_highs, 0)


def missed():
    driver = Driver()
    driver.given.give(0, (faults.MISSED_READY, 2))
    driver.read()
    began_ps = clock.now_ps
    driver.await_ready()
    assert clock.now_ps - began_ps > 36_000 * US


def silent():
    driver = Driver()
    driver.given.give(0, (faults.SILENT, 100))
    driver.read()
    began_ps = clock.now_ps
    driver.await_ready()
    assert 100 * MS <= clock.now_ps - began_ps <= 120 * MS


run_check(globals())
