"""HX711: 24 bits at 10 or 80 S/s, read bit by bit over two wires; ratiometric.

Source: Avia Semiconductor HX711 datasheet (timing p. 5, channel and gain by pulse count p. 4-5). The rate
is strapped on the module (RATE pin) and comes from settings; the chip's own clock makes it several
percent off, so the host measures it from the ticks. The clock pulses come from a PIO state machine where the
settings name one and the board has it, else from the script, with interrupts held off while one is high.
"""

from time import sleep_us, ticks_add, ticks_diff, ticks_ms, ticks_us

from anvilwire.messages import EXCITATION_IS_REFERENCE, SCALE_RATIO
from converters import ConverterError
from machine import Pin, disable_irq, enable_irq

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_SETTLING_PERIODS = 4  # after reset, and after a change of gain or input
_POWER_DOWN_US = 100  # the clock held high for more than 60 us
_LONGEST_HIGH_US = 50

# gain, clock pulses that select it for the next conversion; 32 belongs to input B
_PULSES = ((128, 25), (64, 27), (32, 26))


class Converter:
    """The chip on the pins ``clock`` (PD_SCK) and ``data`` (DOUT); perhaps ``pio``, a state machine."""

    name = "hx711"
    code_bits = 24
    full_scale_code = 8388608
    saturation_low = -8388608
    saturation_high = 8388607
    scale_kind = SCALE_RATIO
    excitation_uv = 0
    excitation_source = EXCITATION_IS_REFERENCE
    default_gain = 128
    polled = True

    def __init__(self, settings):
        period_us = 1_000_000 // settings.RATE_HZ
        # a symmetric filter that settles in 4 periods delays by 2
        self.rates = ((settings.RATE_HZ * 1000, 2 * period_us * 1000),)
        self.default_rate_mhz = settings.RATE_HZ * 1000
        # full scale is half the excitation over the gain
        self.gains = tuple([(gain, 500_000_000 // gain) for gain, _ in _PULSES])
        self._period_us = period_us
        self._pulses = 25
        self._clock = Pin(settings.PINS["clock"], Pin.OUT, value=0)
        self._data = Pin(settings.PINS["data"], Pin.IN, Pin.PULL_UP)
        self._pio = _pulse_reader(settings.PINS, self._clock, self._data)
        self._last_tick: "Any" = -1
        self._heard: "Any" = 0
        self._trusted = True

    def probe(self):
        """Power the chip up; it must become ready, then take 25 pulses and go busy again."""
        self._restart()
        self._read()
        if not self._trusted:
            raise ConverterError("HX711: DOUT stays low after 25 clock pulses: check the clock wire")

    def configure(self, rate_mhz, gain):
        """Select the gain by pulse count and let the chip settle. It has no registers to read back."""
        if rate_mhz != self.rates[0][0]:
            raise ConverterError("HX711: the rate is strapped on the module")
        self._pulses = [pulses for value, pulses in _PULSES if value == gain][0]
        self._restart()
        self._discard(1 + _SETTLING_PERIODS)
        if not self._trusted:
            raise ConverterError("HX711: lost step while setting the gain: check the clock wire")
        return b""

    def start(self):
        """Throw away the conversion that has been waiting: it is as old as the last reading.

        A new one may come while it is clocked out: the pulses left over then begin to shift that one out, or
        choose another gain. So the next one is thrown away as well, read as soon as it is there.
        """
        for _ in range(2):
            self._discard(1)
            if not self._trusted:
                self._restart()
                self._discard(1 + _SETTLING_PERIODS)
                break
        self._last_tick = -1
        self._heard = ticks_us()

    def fill(self, block):
        """Read the conversion if one is ready; see the contract in ``converters``."""
        if self._data():
            if ticks_diff(ticks_us(), self._heard) > 10 * self._period_us + 500_000:
                raise ConverterError("HX711: no conversion for %d ms" % (10 * self._period_us // 1000 + 500))
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
        self._take(block, tick)
        return False

    def stop(self):
        """Leave the chip running: it stays warm, and so does the bridge."""

    def _take(self, block, tick):
        code = self._read()
        if not self._trusted:  # a reading cut short: leave it out, bring the chip back
            block.mark_glitch()
            self._restart()
            self._discard(1 + _SETTLING_PERIODS)
            return
        if _all_ones(code):
            block.mark_glitch()
        block.put(code, tick)
        self._last_tick = tick

    def _lost_before(self, tick):
        if self._last_tick < 0:
            return 0
        return (ticks_diff(tick, self._last_tick) + self._period_us // 2) // self._period_us - 1

    def _restart(self):
        """Power down and up through the clock line: gain 128, and the filter starts anew."""
        if self._pio is not None:
            self._pio.hold_high(_POWER_DOWN_US)
            return
        self._clock(1)
        sleep_us(_POWER_DOWN_US)
        self._clock(0)

    def _discard(self, count):
        for _ in range(count):
            self._await_ready()
            self._read()

    def _await_ready(self):
        limit_ms = 500 + 6 * self._period_us // 1000
        since = ticks_ms()
        while self._data():
            if ticks_diff(ticks_ms(), since) > limit_ms:
                raise ConverterError(
                    "HX711: not ready within %d ms: check power and the data wire" % limit_ms
                )
            sleep_us(100)

    def _read(self):
        """Clock out 24 bits, then the pulses that choose the next gain; the signed code."""
        code = self._clocked_out() if self._pio is None else self._pio.read(self._pulses)
        if self._pio is not None:
            self._trusted = code >= 0 and self._data() == 1
        return code - 0x1000000 if code & 0x800000 else code

    def _clocked_out(self):
        """24 bits by pulses of the script's own.

        Interrupts are held off while the clock is high: 60 us of high would reset the chip in mid-word.
        """
        clock = self._clock
        data = self._data
        code = 0
        longest = 0
        for i in range(self._pulses):
            state = disable_irq()
            rose = ticks_us()
            clock(1)
            clock(0)
            high = ticks_diff(ticks_us(), rose)
            enable_irq(state)
            if i < 24:
                code = (code << 1) | data()
            if high > longest:
                longest = high
        self._trusted = longest <= _LONGEST_HIGH_US and data() == 1
        return code


def _pulse_reader(pins, clock, data):
    """The state machine that gives the pulses, or None where none is named or the board has none."""
    if "pio" not in pins:
        return None
    try:
        from pulses import PulseReader
    except ImportError:
        return None
    return PulseReader(pins["pio"], clock, data)


def _all_ones(code):
    """Whether ``code`` is 2^k - 1 with k from 15 to 22: what a chip shows that lost its place in mid-word."""
    return 0x7FFF <= code < 0x7FFFFF and code & (code + 1) == 0
