"""NAU7802: 24 bits at 10 to 320 S/s over I2C; ratiometric, the bridge is fed by the chip's own 3.0 V.

Source: Nuvoton NAU7802 data sheet, through the register maps of two open drivers (cedargrove-nau7802 and
nau7802 on PyPI). The data sheet's filter is not known here: its delay is taken as that of a filter that
settles in four conversions. The chip's clock is several percent off, so the host measures the rate from
the ticks. A module that brings DRDY out may have it on the pin ``drdy``; without it the board asks over I2C.
"""

from time import sleep_ms, ticks_add, ticks_diff, ticks_ms, ticks_us

from anvilwire.messages import EXCITATION_IS_REFERENCE, SCALE_RATIO
from converters import ConverterError
from machine import I2C, Pin

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_ADDRESS = 0x2A
_I2C_HZ = 400_000

_PU_CTRL = 0x00
_CTRL1 = 0x01
_CTRL2 = 0x02
_ADCO = 0x12
_ADC = 0x15
_PGA = 0x1B
_PWR_CTRL = 0x1C

_RESET = 0x01
_DIGITAL_ON = 0x02
_POWERED = 0x9E  # LDO as AVDD, conversions started, power-up ready, analog and digital on
_POWER_UP_READY = 0x08
_CONVERSION_READY = 0x20
_LDO_3V0 = 0x28
_CALIBRATE = 0x04  # with mode 0: the offset, internally
_CALIBRATION_ERROR = 0x08
_CHOPPER_OFF = 0x30
_CAPACITOR_ON = 0x80  # between the inputs of channel 2, which carries no bridge

_LDO_SETTLES_MS = 400
_CALIBRATION_MOST_MS = 1000
_SETTLING_PERIODS = 4
_TRIES = 3

# rate in mHz, CRS code
_RATES = ((320_000, 7), (80_000, 3), (40_000, 2), (20_000, 1), (10_000, 0))
_GAINS = (128, 64, 32, 16, 8, 4, 2, 1)


class Converter:
    """The chip on the pins ``i2c`` (a bus number), ``scl``, ``sda`` and perhaps ``drdy``."""

    name = "nau7802"
    code_bits = 24
    full_scale_code = 8388608
    saturation_low = -8388608
    saturation_high = 8388607
    scale_kind = SCALE_RATIO
    excitation_uv = 0
    excitation_source = EXCITATION_IS_REFERENCE
    default_rate_mhz = 320_000
    default_gain = 128
    polled = True

    def __init__(self, settings):
        pins = settings.PINS
        # a filter that settles in 4 periods delays by 2
        self.rates = tuple([(rate, 2_000_000_000_000 // rate) for rate, _ in _RATES])
        # full scale is half the excitation over the gain
        self.gains = tuple([(gain, 500_000_000 // gain) for gain in _GAINS])
        self._i2c = I2C(pins["i2c"], scl=Pin(pins["scl"]), sda=Pin(pins["sda"]), freq=_I2C_HZ)
        self._drdy = Pin(pins["drdy"], Pin.IN) if "drdy" in pins else None
        self._byte = bytearray(1)
        self._sample = bytearray(3)
        self._wanted: "Any" = ()
        self._found = bytearray(6)
        self._period_us = 0
        self._last_tick: "Any" = -1
        self._heard: "Any" = 0

    def probe(self):
        """Reset the chip and power it up: it must say that it is ready, with its registers at their start."""
        self._power_up()
        for register in (_CTRL1, _CTRL2):
            found = self._get(register)
            if found != 0:
                raise ConverterError(
                    "NAU7802: register %d reads 0x%02x after reset, not 0x00: another chip at 0x2a?"
                    % (register, found)
                )

    def configure(self, rate_mhz, gain):
        """Set rate and gain, calibrate the offset, let it settle; return six registers as read back."""
        crs = [code for rate, code in _RATES if rate == rate_mhz][0]
        if self._get(_PU_CTRL) & _DIGITAL_ON == 0:  # it was reset meanwhile
            self._power_up()
        self._period_us = 1_000_000_000 // rate_mhz
        self._set(_CTRL1, _LDO_3V0 | (7 - _GAINS.index(gain)))
        self._set(_CTRL2, crs << 4)
        self._set(_ADC, _CHOPPER_OFF)
        self._set(_PGA, 0)
        self._set(_PWR_CTRL, _CAPACITOR_ON)
        self._set(_PU_CTRL, _POWERED & ~_POWER_UP_READY)
        sleep_ms(_LDO_SETTLES_MS)
        self._calibrate(crs)
        self._wanted = (
            (_PU_CTRL, _POWERED, _POWERED | _RESET),
            (_CTRL1, _LDO_3V0 | (7 - _GAINS.index(gain)), 0xFF),
            (_CTRL2, crs << 4, 0xFF),
            (_ADC, _CHOPPER_OFF, _CHOPPER_OFF),
            (_PGA, 0, 0xFF),
            (_PWR_CTRL, _CAPACITOR_ON, _CAPACITOR_ON),
        )
        self._discard(1 + _SETTLING_PERIODS)
        self._compare()
        return bytes(self._found)

    def start(self):
        """Throw away the conversion that has been waiting: it may be old."""
        self._discard(1)
        self._last_tick = -1
        self._heard = ticks_us()

    def fill(self, block):
        """Read the conversion if one is ready; see the contract in ``converters``."""
        if not self._is_ready():
            if ticks_diff(ticks_us(), self._heard) > 10 * self._period_us + 100_000:
                raise ConverterError(
                    "NAU7802: no conversion for %d ms" % (10 * self._period_us // 1000 + 100)
                )
            return False
        if block.room() == 0:
            return False
        tick = ticks_us()
        lost = self._lost_before(tick)
        if lost > 0:
            if block.count:
                return True
            block.lose(lost)
            self._last_tick = ticks_add(tick, -self._period_us)
        self._heard = tick
        block.put(self._read(), tick)
        self._last_tick = tick
        return False

    def stop(self):
        """Leave the chip running: it stays warm, and so does the bridge. Read the settings back."""
        self._compare()

    def _lost_before(self, tick):
        if self._last_tick < 0:
            return 0
        return (ticks_diff(tick, self._last_tick) + self._period_us // 2) // self._period_us - 1

    def _power_up(self):
        self._set(_PU_CTRL, _RESET)
        self._set(_PU_CTRL, 0)
        self._set(_PU_CTRL, _DIGITAL_ON)
        for _ in range(10):
            sleep_ms(1)
            if self._get(_PU_CTRL) & _POWER_UP_READY:
                return
        raise ConverterError("NAU7802: not ready 10 ms after power-up: check its supply")

    def _calibrate(self, crs):
        """Let the chip take out its own offset; due after every change of rate or gain."""
        self._set(_CTRL2, crs << 4 | _CALIBRATE)
        limit_ms = _CALIBRATION_MOST_MS + 30 * self._period_us // 1000
        since = ticks_ms()
        while self._get(_CTRL2) & _CALIBRATE:
            if ticks_diff(ticks_ms(), since) > limit_ms:
                raise ConverterError("NAU7802: calibration not done within %d ms" % limit_ms)
            sleep_ms(1)
        if self._get(_CTRL2) & _CALIBRATION_ERROR:
            raise ConverterError("NAU7802: its calibration of the offset failed: check supply and bridge")

    def _discard(self, count):
        limit_ms = 100 + 2 * _SETTLING_PERIODS * self._period_us // 1000
        for _ in range(count):
            since = ticks_ms()
            while not self._is_ready():
                if ticks_diff(ticks_ms(), since) > limit_ms:
                    raise ConverterError("NAU7802: not ready within %d ms: check its supply" % limit_ms)
                sleep_ms(1)
            self._read()

    def _is_ready(self):
        if self._drdy is not None:
            return self._drdy() == 1
        return self._says_ready()

    def _says_ready(self):
        """Whether a conversion waits; a chip that is no longer powered as set has been reset."""
        state = self._get(_PU_CTRL)
        if state & _POWERED != _POWERED:
            raise ConverterError("NAU7802: power register reads 0x%02x: chip reset, or bad wiring" % state)
        return state & _CONVERSION_READY != 0

    def _read(self):
        """The code. Reading it clears the ready bit; if that is set again, a new one came in between."""
        sample = self._sample
        for _ in range(_TRIES):
            self._get_into(_ADCO, sample)
            if not self._says_ready():
                code = sample[0] << 16 | sample[1] << 8 | sample[2]
                return code - 0x1000000 if code & 0x800000 else code
        raise ConverterError("NAU7802: ready again after each reading: chip reset, or bus too slow")

    def _compare(self):
        """Read the registers back; raise unless they are what was set."""
        found = self._found
        for i in range(len(self._wanted)):
            register, value, mask = self._wanted[i]
            found[i] = self._get(register)
            if (found[i] ^ value) & mask:
                raise ConverterError(
                    "NAU7802: register %d reads 0x%02x, not 0x%02x as set: chip reset, or bad wiring"
                    % (register, found[i], value)
                )
        found[0] &= ~_CONVERSION_READY

    def _get(self, register):
        self._get_into(register, self._byte)
        return self._byte[0]

    def _get_into(self, register, buffer):
        """Read over I2C; a transfer that nobody acknowledges is tried again."""
        for _ in range(_TRIES):
            try:
                self._i2c.readfrom_mem_into(_ADDRESS, register, buffer)
                return
            except OSError:
                pass
        raise ConverterError("NAU7802: no answer on I2C at 0x2a: check power, SDA and SCL")

    def _set(self, register, value):
        self._byte[0] = value
        for _ in range(_TRIES):
            try:
                self._i2c.writeto_mem(_ADDRESS, register, self._byte)
                return
            except OSError:
                pass
        raise ConverterError("NAU7802: no answer on I2C at 0x2a: check power, SDA and SCL")
