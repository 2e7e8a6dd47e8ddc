"""MicroPython's ``machine`` with a simulated converter chip where the wires lead.

Which pin leads where stands in the board's ``settings.py``. A pin that leads nowhere keeps what is
written to it and reads high with a pull-up. A pin takes a microsecond to write or read.
"""

import micropython

import clock
import console
import heap
import sense
import settings
from uart import UART  # noqa: F401

PWRON_RESET = 1
_PIN_PS = 1_000_000
_EIO = 5
_UNIQUE_ID = bytearray(8)

chip = None
_outputs = {}
_inputs = {}
_functions = {}  # by pin number: what drives it
_i2c = {}  # number of the bus: the sensors on it by address
_spi = {}  # number of the bus: the sensors on it


def power_up(unique_id):
    """Wire the chip to the pins, as ``settings.py`` has it, and switch on.

    The chip of a converter is in the file of the same name: ``wire(settings, outputs, inputs)`` returns it
    and enters, by pin number, what a level written to a pin does and what a pin reads.
    """
    global chip
    _UNIQUE_ID[:] = unique_id
    try:
        module = __import__(settings.CONVERTER)
    except ImportError as error:
        raise ValueError("no simulated chip is called " + settings.CONVERTER) from error
    chip = module.wire(settings, _outputs, _inputs)
    for entry in getattr(settings, "SENSORS", ()):
        sensor = __import__(entry["sensor"])
        sense.chips.append(sensor.wire(entry, _outputs, _inputs, _i2c, _spi))


def function_of(pin):
    """What drives a pin, one of the ``ALT_`` numbers."""
    return _functions.get(pin._number, Pin.ALT_SIO)


class Pin:
    """A pin by its GPIO number."""

    IN = 0
    OUT = 1
    ALT = 3
    ALT_SPI = 1
    ALT_SIO = 5
    ALT_PIO0 = 6
    ALT_PIO1 = 7
    ALT_PIO2 = 8
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=-1, pull=-1, *, value=None):
        self._number = number
        self._drive = _outputs.get(number)
        self._sense = _inputs.get(number)
        self._level = 1 if pull == Pin.PULL_UP else 0
        if mode != -1:
            self.init(mode, value=value)

    def init(self, mode, *, value=None, alt=ALT_SIO):
        """What the pin is: input, output, or in the hands of ``alt``."""
        if chip is not None:
            chip.quick = False
        depth = heap.unlock()
        _functions[self._number] = alt if mode == Pin.ALT else Pin.ALT_SIO
        heap.relock(depth)
        if value is not None:
            self.value(value)

    @micropython.native
    def __call__(self, level=None):
        return self.value(level)

    @micropython.native
    def value(self, level=None):
        """Write a level, or read it."""
        end_ps = clock.now_ps + _PIN_PS
        if end_ps >= clock.next_ps:
            clock.run_to(end_ps)
        else:
            clock.now_ps = end_ps
        if level is None:
            if self._sense is not None:
                return self._sense()
            return self._level
        if level:
            level = 1
        if level != self._level or self._drive is not None:
            self._level = level
            if self._drive is not None:
                self._drive(level)
        return None

    def on(self):
        """Drive the pin high."""
        self.value(1)

    def off(self):
        """Drive the pin low."""
        self.value(0)

    def irq(self, handler=None, trigger=IRQ_FALLING | IRQ_RISING, hard=False):
        """Call ``handler(pin)`` at falling edges of the converter's data-ready; nothing else ever falls."""
        if trigger & Pin.IRQ_FALLING and self._sense is not None:
            clock.listen(handler, self)


class SPI:
    """An SPI bus; the chip that is selected answers."""

    MSB = 0

    def __init__(
        self,
        number,
        baudrate=1_000_000,
        *,
        polarity=0,
        phase=0,
        bits=8,
        firstbit=0,
        sck=None,
        mosi=None,
        miso=None,
    ):
        self._byte_ps = 8 * 1_000_000_000_000 // baudrate
        self._mode = 2 * polarity + phase
        self._others = _spi.get(number, ())
        self._sck = sck
        for pin in (sck, mosi, miso):
            if pin is not None:
                pin.init(Pin.ALT, alt=Pin.ALT_SPI)

    def write(self, buffer):
        """Send bytes."""
        for byte in buffer:
            self._exchange(byte)

    @micropython.native
    def readinto(self, buffer, fill=0):
        """Fill ``buffer``, sending ``fill`` all the while."""
        count = len(buffer)
        if count == 3 and fill == 0 and not self._others and chip.quick:
            end_ps = clock.now_ps + 3 * self._byte_ps
            at = (clock.ready - chip.codes_first) * 3
            if end_ps < clock.next_ps and 0 <= at < chip.codes_end:
                codes = chip.codes
                buffer[0] = codes[at]
                buffer[1] = codes[at + 1]
                buffer[2] = codes[at + 2]
                chip.taken = clock.ready
                clock.now_ps = end_ps
                return
        for i in range(count):
            buffer[i] = self._exchange(fill)

    def write_readinto(self, out, into):
        """Send ``out`` while filling ``into``, of the same length."""
        if len(out) != len(into):
            raise ValueError("buffers must be the same length")
        for other in self._others:
            if other.selected:
                other.transfer(out, into, self._byte_ps, self._mode != other.mode)
                return
        for i in range(len(out)):
            into[i] = self._exchange(out[i])

    def _exchange(self, byte):
        for other in self._others:
            if other.selected:
                return other.exchange(byte, self._byte_ps, self._mode != other.mode)
        on_bus = not self._others and (self._sck is None or function_of(self._sck) == Pin.ALT_SPI)
        if on_bus and chip.selected:
            return chip.exchange(byte, self._byte_ps, self._mode != 1)
        clock.spend(self._byte_ps)
        return 0xFF


class I2C:
    """An I2C bus with the chip and sensors on it; nobody else acknowledges."""

    def __init__(self, number, *, scl=None, sda=None, freq=400_000):
        self._byte_ps = 9 * 1_000_000_000_000 // freq
        self._sensors = _i2c.get(number, {})

    def readfrom_mem_into(self, address, register, buffer):
        """Fill ``buffer`` from ``register`` on."""
        self._call(address, 3).read(register, buffer, self._byte_ps)

    def writeto_mem(self, address, register, data):
        """Write ``data`` from ``register`` on."""
        self._call(address, 2).write(register, data, self._byte_ps)

    def _call(self, address, count):
        """Address and register, ``count`` bytes; the chip that answers."""
        clock.spend(self._byte_ps)
        called = self._sensors.get(address)
        if called is None and address == getattr(chip, "address", None):
            called = chip
        if called is None or not called.acknowledges():
            raise OSError(_EIO)
        clock.spend((count - 1) * self._byte_ps)
        return called


class ADC:
    """Makes a pin analogue and the ADC ready; it is used by its registers."""

    def __init__(self, pin):
        pass


class _Memory:
    """Registers of the chip, by address."""

    def __getitem__(self, address):
        return chip.peek(address)

    def __setitem__(self, address, value):
        chip.poke(address, value)


mem32 = _Memory()


class WDT:
    """The watchdog: not fed in (virtual) time, it ends this process, as it would reset a board."""

    def __init__(self, id=0, timeout=5000):
        clock.watch(timeout * clock.MS)

    def feed(self):
        """Put it off."""
        clock.feed_watchdog()


def idle():
    """Wait for an interrupt, or a little."""
    clock.idle()


def disable_irq():
    """Hold interrupts off; return what :func:`enable_irq` needs."""
    return clock.mask()


def enable_irq(state):
    """Let interrupts in again."""
    clock.unmask(state)


def unique_id():
    """The board's own number."""
    return bytes(_UNIQUE_ID)


def freq():
    """Clock of the processor in Hz."""
    return 125_000_000


def reset():
    """Reset the board: its port goes away."""
    console.power_off("board reset")


def reset_cause():
    """It was just plugged in."""
    return PWRON_RESET
