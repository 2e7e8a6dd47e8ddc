"""ADXL375: acceleration of the handle along three axes, 200 g, 3,200 a second, over SPI.

Source: Analog Devices data sheet ADXL375 (from memory: registers, reset values, SPI mode 3 up to 5 MHz, FIFO
of 32, 49 mg a count, 5 us from one reading of the FIFO to the next). Its bus is its own: converters hold
theirs while they stream. The main loop empties the FIFO, which holds 10 ms; when that was too late, samples
are lost and counted. The filter's delay is not known: one sample is assumed, and may be off by half of one.
"""

from time import sleep_us, ticks_add, ticks_diff, ticks_us

from machine import SPI, Pin
from sensors import SensorError, channel

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_SPI_HZ = 4_000_000
_READ = 0x80
_MANY = 0x40

_DEVICE = 0x00
_RATE = 0x2C
_POWER = 0x2D
_FORMAT = 0x31
_DATA = 0x32
_FIFO = 0x38
_FIFO_STATUS = 0x39

_DEVICE_ID = 0xE5
_RESET_RATE = 0x0A
_RATE_3200 = 0x0F
_MEASURE = 0x08
_FORMAT_200_G = 0x0B  # four wires, right-justified; these bits have to be set
_STREAM = 0x80
_ENTRIES = 0x3F
_FULL = 32
_MOST = 33  # and one at the filter's output

_SETTINGS = ((_FORMAT, _FORMAT_200_G), (_RATE, _RATE_3200), (_FIFO, _STREAM), (_POWER, _MEASURE))

_PERIOD_32 = 10_000  # sample period in thirty-seconds of a microsecond
_PERIOD_US = 313
_PERIOD_NS = 312_500
_STALE_US = 100_000
_FIFO_GAP_US = 5
_G_NANO = 9_806_650_000
_AXES = ("handle acceleration x", "handle acceleration y", "handle acceleration z")


class Sensor:
    """The chip on the pins ``spi`` (a bus number), ``sck``, ``mosi``, ``miso`` and ``cs``."""

    name = "adxl375"
    rate_mhz = 3_200_000

    def __init__(self, entry):
        self.channels = tuple(
            [
                channel(
                    axis,
                    "m/s\u00b2",
                    49 * _G_NANO // 1000,
                    (-4096, 4095),
                    delay_ns=_PERIOD_NS,
                    delay_within_ns=_PERIOD_NS // 2,
                    within_ppm=100_000,
                    within_zero_nano=6 * _G_NANO,
                )
                for axis in _AXES
            ]
        )
        self._cs = Pin(entry["cs"], Pin.OUT, value=1)
        self._spi = SPI(
            entry["spi"],
            baudrate=_SPI_HZ,
            polarity=1,
            phase=1,
            sck=Pin(entry["sck"]),
            mosi=Pin(entry["mosi"]),
            miso=Pin(entry["miso"]),
        )
        self._ask_data = bytearray(7)
        self._ask_data[0] = _READ | _MANY | _DATA
        self._data = bytearray(7)
        self._ask = bytearray(2)
        self._answer = bytearray(2)
        self._last: "Any" = 0
        self._any = False

    def probe(self):
        """Its number must be right, and the rate take what is written to it."""
        found = self._get(_DEVICE)
        if found != _DEVICE_ID:
            raise SensorError(
                "adxl375: device number reads 0x%02x, not 0xe5: check power, CS and the SPI wires" % found
            )
        self._set(_POWER, 0)
        self._set(_RATE, _RESET_RATE)
        self._expect(_RATE, _RESET_RATE)

    def configure(self):
        """3,200 samples a second into the FIFO; return the registers as read back."""
        self._set(_POWER, 0)
        for register, value in _SETTINGS:
            self._set(register, value)
        self.stop()
        return bytes([value for _, value in _SETTINGS])

    def start(self, now):
        """Empty the FIFO by way of bypass mode."""
        self._set(_FIFO, 0)
        self._set(_FIFO, _STREAM)
        self._last = now
        self._any = False

    def collect(self, side):
        """Empty the FIFO; its newest sample came within a period before now. See the contract."""
        tick = ticks_us()
        entries = self._get(_FIFO_STATUS) & _ENTRIES
        if entries > _MOST:
            raise SensorError("adxl375: %d entries in a FIFO of %d: no answer on SPI" % (entries, _FULL))
        if entries == 0:
            if ticks_diff(tick, self._last) > _STALE_US:
                raise SensorError("adxl375: no sample for %d ms: reset, or bad wiring" % (_STALE_US // 1000))
            return
        if entries >= _FULL and self._any:
            lost = (ticks_diff(tick, self._last) * 32 + _PERIOD_32 // 2) // _PERIOD_32 - entries
            if lost > 0:
                side.lose(lost)
        self._any = True
        self._last = tick
        for older in range(entries - 1, -1, -1):
            self._cs(0)
            self._spi.write_readinto(self._ask_data, self._data)
            self._cs(1)
            side.add_bytes(self._data, 1)
            side.close_sample(ticks_add(tick, -older * _PERIOD_32 // 32), _PERIOD_US)
            sleep_us(_FIFO_GAP_US)

    def stop(self):
        """Leave it measuring; read the settings back."""
        for register, value in _SETTINGS:
            self._expect(register, value)

    def _get(self, register):
        self._ask[0] = _READ | register
        self._cs(0)
        self._spi.write_readinto(self._ask, self._answer)
        self._cs(1)
        return self._answer[1]

    def _set(self, register, value):
        self._ask[0] = register
        self._ask[1] = value
        self._cs(0)
        self._spi.write(self._ask)
        self._cs(1)
        self._ask[1] = 0

    def _expect(self, register, value):
        found = self._get(register)
        if found != value:
            raise SensorError(
                "adxl375: register 0x%02x reads 0x%02x, not 0x%02x as set: reset, or bad wiring"
                % (register, found, value)
            )
