# Checks of the simulated NAU7802: check_nau7802.py SILICON CHECK. The register map and its codes are those
# of two open drivers (cedargrove-nau7802 and nau7802 on PyPI).
from chip_bench import NAU_PINS, power_up, run_check, sleep_ms, sleep_us

import clock
import faults
from machine import I2C, Pin

US = 1_000_000
MS = 1_000_000_000
ADDRESS = 0x2A
ONE_MV_PER_V = 100_000_000
GAIN_CODES = ((1, 0), (2, 1), (4, 2), (8, 3), (16, 4), (32, 5), (64, 6), (128, 7))
RATE_CODES = ((10, 0), (20, 1), (40, 2), (80, 3), (320, 7))


class Driver:
    """The least that talks to the chip."""

    def __init__(self):
        self.chip, self.given = power_up("nau7802")
        self.drdy = Pin(NAU_PINS["drdy"], Pin.IN)
        self.i2c = I2C(0, scl=Pin(5), sda=Pin(4), freq=400_000)

    def get(self, register, count=1):
        found = bytearray(count)
        self.i2c.readfrom_mem_into(ADDRESS, register, found)
        return found

    def set(self, register, value):
        self.i2c.writeto_mem(ADDRESS, register, bytes([value]))

    def set_up(self, gain_code=7, crs=7, calibrated=True):
        self.set(0x00, 0x01)
        self.set(0x00, 0x02)
        sleep_ms(1)
        self.set(0x01, 0x28 | gain_code)
        self.set(0x02, crs << 4)
        self.set(0x00, 0x96)
        if calibrated:
            self.set(0x02, crs << 4 | 4)
            while self.get(0x02)[0] & 4:
                sleep_ms(1)

    def await_ready(self):
        while not self.get(0)[0] & 0x20:
            sleep_us(100)

    def read(self):
        self.await_ready()
        return signed(self.get(0x12, 3))


def signed(found):
    code = found[0] << 16 | found[1] << 8 | found[2]
    return code - 0x1000000 if code & 0x800000 else code


def expect(found, wanted):
    assert found == wanted, "%r, not %r" % (found, wanted)


def registers_after_reset():
    driver = Driver()
    expect(driver.get(0, 3).hex(), "000000")
    expect(driver.get(6, 4).hex(), "00800000")
    expect(driver.get(0x1F)[0] & 15, 0x0F)
    driver.set_up()
    driver.set(0x00, 0x01)
    driver.set(0x01, 0x2F)  # held in reset
    driver.set(0x00, 0x00)
    expect(driver.get(0, 3).hex(), "000000")


def power_up_takes_200_us():
    driver = Driver()
    driver.set(0, 0x02)
    sleep_us(20)
    expect(driver.get(0)[0], 0x02)
    sleep_us(200)
    expect(driver.get(0)[0], 0x0A)


def only_its_own_address_answers():
    driver = Driver()
    for call in (
        lambda: driver.i2c.readfrom_mem_into(0x2B, 0, bytearray(1)),
        lambda: driver.i2c.writeto_mem(0x2B, 0, b"\x01"),
    ):
        try:
            call()
        except OSError:
            continue
        raise AssertionError("somebody answered")


def data_rates():
    driver = Driver()
    for rate, crs in RATE_CODES:
        driver.set_up(crs=crs)
        driver.read()
        began_ps = clock.next_ps
        driver.read()
        expect(clock.next_ps - began_ps, 1_000_000_000_000 // rate)


def every_gain():
    driver = Driver()
    for gain, code in GAIN_CODES:
        driver.set_up(gain_code=code)
        # full scale is half the reference over the gain: 2^23 codes are 500 / gain mV/V
        driver.given.give(ONE_MV_PER_V)
        expect(driver.read(), int(2**23 * gain / 500 + 0.5))
        driver.given.give(-ONE_MV_PER_V)
        expect(driver.read(), int(-(2**23) * gain / 500 - 0.5))


def two_millivolts_per_volt_as_any_ratiometric_24_bits():
    driver = Driver()
    driver.set_up()
    driver.given.give(2 * ONE_MV_PER_V)
    expect(driver.read(), 0x418937)  # fixtures/wire/vectors.csv has the same for another chip


def saturation():
    driver = Driver()
    driver.set_up()
    for input_, wanted in ((4, 0x7FFFFF), (3.9062495, 0x7FFFFF), (-4, -0x800000), (-3.90625, -0x800000)):
        driver.given.give(int(input_ * ONE_MV_PER_V))
        expect(driver.read(), wanted)


def calibration_takes_out_the_offset():
    driver = Driver()
    driver.set_up(calibrated=False)
    expect(driver.read(), 0x1234)
    driver.set(0x02, 0x74)
    began_ps = clock.now_ps
    while driver.get(2)[0] & 4:
        sleep_ms(1)
    assert 344 * MS <= clock.now_ps - began_ps <= 346 * MS
    expect(driver.get(2)[0], 0x70)
    expect(driver.get(3, 3).hex(), "001234")
    expect(driver.read(), 0)


def settles_in_four_periods():
    driver = Driver()
    for rate, crs in RATE_CODES:
        driver.set_up(crs=crs)
        began_ps = clock.now_ps
        driver.await_ready()
        assert 0 <= clock.now_ps - began_ps - 4_000_000_000_000 // rate + 1 * MS <= 2 * MS


def slow_rates_average_with_the_weights_of_a_sinc4():
    driver = Driver()
    driver.given.give(lambda number: 1 << 24 if number == 40 else 0)
    driver.set_up(crs=3)
    shares = [driver.read() for _ in range(14)]
    # four moving sums of 4: some output phase of 1 4 10 20 31 40 44 40 31 20 10 4 1, in 256ths
    weights = (1, 4, 10, 20, 31, 40, 44, 40, 31, 20, 10, 4, 1)
    whole = (1 << 24) * 128 * 2**24 // 100_000_000_000
    phases = [[w * whole // 256 for w in [weights[i] for i in range(phase, 13, 4)]] for phase in range(4)]
    found = [code for code in shares if code]
    assert any(
        len(found) == len(phase) and all(abs(found[i] - phase[i]) <= 1 for i in range(len(found)))
        for phase in phases
    ), found


def reading_clears_ready():
    driver = Driver()
    driver.set_up()
    driver.await_ready()
    expect(driver.drdy(), 1)
    driver.get(0x12, 2)
    expect(driver.drdy(), 1)
    driver.get(0x12, 3)
    expect(driver.drdy(), 0)
    expect(driver.get(0)[0] & 0x20, 0)


def unread_conversions_are_overwritten():
    driver = Driver()
    driver.given.give(lambda number: 1_000_000 * number)
    driver.set_up()
    first = driver.read()
    sleep_ms(10)
    assert 3 * 21474 - 3 <= driver.read() - first <= 4 * 21475


def a_conversion_in_mid_read_tears_the_bytes():
    driver = Driver()
    driver.given.give(lambda number: 0 if number % 2 else 2 * ONE_MV_PER_V)
    driver.set_up()
    driver.read()
    clock.run_to(clock.next_ps - 80 * US)  # the first data byte is over 67.5 us after the call
    torn = driver.get(0x12, 3).hex()
    assert torn in ("410000", "008937"), torn
    expect(driver.drdy(), 1)


def what_cannot_be_written():
    driver = Driver()
    driver.set(0x12, 5)
    driver.set(0x1F, 5)
    expect(driver.chip.refused, 2)


def unacknowledged():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.UNACKNOWLEDGED, 2))
    driver.read()
    refused = 0
    for _ in range(3):
        try:
            driver.get(0)
        except OSError:
            refused += 1
    expect(refused, 2)


def missed():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.MISSED_READY, 2))
    driver.read()
    began_ps = clock.now_ps
    driver.await_ready()
    assert 3 * 3125 * US - 400 * US < clock.now_ps - began_ps < 3 * 3125 * US + 400 * US


def silent():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.SILENT, 100))
    driver.read()
    began_ps = clock.now_ps
    driver.await_ready()
    assert 100 * MS <= clock.now_ps - began_ps <= 115 * MS


def chip_reset():
    driver = Driver()
    driver.set_up()
    driver.given.give(0, (faults.CHIP_RESET, 0))
    driver.read()
    expect(driver.get(0, 3).hex(), "000000")


run_check(globals())
