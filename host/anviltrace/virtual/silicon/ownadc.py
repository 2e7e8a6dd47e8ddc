"""The RP2040's own ADC with an instrumentation amplifier before it, to the bit, as a model of both.

From the data sheet (section 4.9, from memory): registers, 96 periods of 48 MHz for a conversion, a FIFO of
four. The bench delivers the amplifier's output at 50 kS/s, behind its filter; ten conversions lie on the
straight line to each value. Zero is mid-scale, and the bridge's excitation is the ADC's reference.

Noise is 1.01 steps rms, normal within 3.4 of it. Steps are uneven as published measurements of this ADC have
them: four wide codes of 9.99 steps (512, 1536, 2560, 3584), the others narrower, so that the transfer bends
by 4.5 steps about its line; a bow of up to three more, and steps up to a quarter late, differ from chip to
chip (by the board's number). A register or a conversion that a script does not use is not modelled: it is
counted in ``violations``.
"""

from array import array

import micropython

import clock
import dma
import faults
import front
import heap

_BASE = 0x4004C000
_CS, _RESULT, _FCS, _FIFO, _DIV = 0x00, 0x04, 0x08, 0x0C, 0x10
_EN, _TS_EN, _START_ONCE, _START_MANY, _READY = 1, 2, 4, 8, 1 << 8
_CS_WRITABLE = 0x1F700B
_FIFO_EN, _DREQ_EN = 1, 8
_EMPTY, _FULL, _UNDER, _OVER = 1 << 8, 1 << 9, 1 << 10, 1 << 11
_FCS_WRITABLE = 0x0F00000F
_DREQ_ADC = 36

_DEPTH = 4
_PER_VALUE = 10
_CONVERSION_PS = 2_000_000
_ACCESS_PS = 100_000
_FIRST_PIN = 26
_TEMPERATURE = 4
_AT_25_C = 880  # 0.709 V by 3.3 V
_SCRATCH = 512
_BOW_MOST = 3072  # in 1024ths of a step
_ALL = 0xFFFFFFFF

INDEX, DONE, BEFORE, NUMBER, LATEST, HELD = 0, 1, 2, 3, 4, 5


@micropython.viper
def convert(
    values: ptr32,  # noqa: F821
    state: ptr32,  # noqa: F821
    count: int,
    gain: int,
    seed: int,
    bow: int,
    late: ptr8,  # noqa: F821
    out: ptr8,  # noqa: F821
    at: int,
):
    """``count`` conversions, from where ``state`` is among the values; two bytes each to ``out[at]`` on.

    A step of the ADC is 1024 here, and 10 pV/V times 4096 times the gain: 1024 * gain / 5^12 of a value ten
    times over.
    """
    index = state[0]
    done = state[1]
    before = state[2]
    number = state[3]
    code = state[4]
    held = state[5]
    if before > 0x7FFFFFFF:  # viper reads 32 bits without their sign into a 64-bit word
        before -= 0x100000000
    now = values[index]
    if now > 0x7FFFFFFF:
        now -= 0x100000000
    for _ in range(count):
        done += 1
        noise = ((number + seed) * 0x9E3779B1) & 0xFFFFFFFF
        noise ^= noise >> 16
        noise = (noise * 0x85EBCA6B) & 0xFFFFFFFF
        noise ^= noise >> 13
        noise = (noise * 0xC2B2AE35) & 0xFFFFFFFF
        noise ^= noise >> 16
        noise = (noise & 255) + ((noise >> 8) & 255) + ((noise >> 16) & 255) + (noise >> 24) - 510
        place = (before * (10 - done) + now * done) * gain * 1024 + 2097152 * 244140625
        if place < 0:
            place = 0
        place = place // 244140625 + 7 * noise
        t = (place >> 11) - 1024
        place += (bow * (1048576 - t * t)) >> 20
        if held == 0:
            if place < 519680:
                if place < 0:
                    place = 0
                code = place // 1015
                rest = place - code * 1015
            else:
                place -= 519680
                code = 512 + ((place >> 20) << 10)
                rest = (place & 1048575) - 10231
                if rest >= 0:
                    beyond = rest // 1015
                    rest -= beyond * 1015
                    code += 1 + beyond
                else:
                    rest = 1015
            if rest < late[code & 255] and code > 0:
                code -= 1
            if code > 4095:
                code = 4095
        else:
            held -= 1
        out[at] = code & 255
        out[at + 1] = code >> 8
        at += 2
        number += 1
        if done == 10:
            done = 0
            index += 1
            before = now
            if _ + 1 < count:
                now = values[index]
                if now > 0x7FFFFFFF:
                    now -= 0x100000000
    state[0] = index
    state[1] = done
    state[2] = before
    state[3] = number & 0x7FFFFFFF
    state[4] = code
    state[5] = held


def wire(settings, outputs, inputs):
    """The ADC, and the amplifier of the settings on its pin."""
    import machine

    return OwnAdc(settings, int.from_bytes(machine.unique_id()[:4], "little"))


class OwnAdc:
    """The ADC of a chip; ``number`` makes it differ from others."""

    special = False
    selected = False
    quick = False

    def __init__(self, settings, number):
        self.violations = {}
        self.address = _BASE + _FIFO
        self._gain = settings.AMPLIFIER_GAIN
        self._wired = settings.PINS["adc"] - _FIRST_PIN
        self._number = number
        self.bow = number % (2 * _BOW_MOST + 1) - _BOW_MOST
        self.late = bytearray((number >> 8) * (2 * k + 1) * 40503 >> 7 & 0xFF for k in range(256))
        self._state = array("i", [0] * 6)
        self._scratch = bytearray(2 * _SCRATCH)
        self._fifo = []
        self._starts = 0
        self._busy = False
        self._reset()
        clock.attach(self)
        dma.connect(_DREQ_ADC, self)

    def _reset(self):
        self._cs = self._fcs = self._div = self._result = 0
        self._running = False
        self._made = 0
        self._drop = 0
        self._start_ps = clock.FAR

    # what the clock asks

    def driven(self):
        """Conversions go on."""
        return self._running

    def passed(self, count):
        """There is no data-ready."""

    # registers, as machine.mem32 has them

    def peek(self, address):
        """Read a register."""
        clock.spend(_ACCESS_PS)
        self.catch_up()
        register = address - _BASE
        if register == _CS:
            return self._cs | (0 if self._running or not self._cs & _EN else _READY)
        if register == _RESULT:
            return self._result
        if register == _FCS:
            level = len(self._fifo)
            flags = (_EMPTY if level == 0 else 0) | (_FULL if level == _DEPTH else 0)
            return self._fcs | flags | level << 16
        if register == _FIFO:
            return self._pop()
        if register == _DIV:
            return self._div
        return self._violate("register")

    def poke(self, address, value):
        """Write a register."""
        clock.spend(_ACCESS_PS)
        self.catch_up()
        register = address - _BASE
        if register == _CS:
            self._control(value)
        elif register == _FCS:
            flags = self._fcs & (_UNDER | _OVER) & ~value
            self._fcs = value & _FCS_WRITABLE | flags
        elif register == _DIV:
            self._div = value & 0xFFFFFF
            if value:
                self._violate("divider")
        else:
            self._violate("register")

    def _control(self, value):
        self._cs = value & _CS_WRITABLE
        on = value & (_EN | _START_MANY) == _EN | _START_MANY
        if on and not self._running:
            self._begin()
        self._running = bool(on)
        if value & _START_ONCE and value & _EN and not on:
            self._once()
        if on:
            clock.choose()

    def _pop(self):
        depth = heap.unlock()
        code = self._result
        if self._fifo:
            code = self._fifo.pop(0)
        else:
            self._fcs |= _UNDER
        heap.relock(depth)
        return code

    def _violate(self, name):
        depth = heap.unlock()
        self.violations[name] = self.violations.get(name, 0) + 1
        heap.relock(depth)
        return 0

    # what DMA asks

    def waiting(self):
        """Conversions in the FIFO, if it may ask for DMA."""
        return len(self._fifo) if self._fcs & _DREQ_EN else 0

    def take(self):
        """The oldest of them."""
        return self._pop()

    def catch_up(self):
        """Make the conversions that are due."""
        if not self._running or self._busy:
            return
        due = (clock.now_ps - self._start_ps) // self._conversion_ps - self._made
        if due <= 0:
            return
        depth = heap.unlock()
        self._busy = True
        while due > 0:
            due -= self._some(due)
        self._busy = False
        heap.relock(depth)

    # conversions

    def _begin(self):
        """The first of many is complete in 2 us."""
        self._start_ps = clock.now_ps
        self._conversion_ps = front.period_ps // _PER_VALUE
        self._made = 0
        self._starts += 1
        self._state[NUMBER] = 0
        self._state[DONE] = 0
        self._state[INDEX] = -1
        self._following = front.align(self._start_ps + front.period_ps)

    def _once(self):
        """One conversion, which takes 2 us."""
        clock.spend(_CONVERSION_PS)
        if self._cs >> 12 & 7 == _TEMPERATURE:
            self._result = _AT_25_C if self._cs & _TS_EN else 0
        else:
            depth = heap.unlock()
            self._begin()
            self._values()
            self._convert(1, self._scratch, 0)
            heap.relock(depth)

    def _values(self):
        """See to it that there is a value to go to; how many conversions there are until more are needed."""
        state = self._state
        if not 0 <= state[INDEX] < front.count:
            first = state[INDEX] < 0
            front.load(self._following, front.batch)
            self._following += front.count
            state[INDEX] = 0
            if first:
                state[BEFORE] = front.values[0]
            if front.fault:
                self._suffer(*front.take_fault())
        return (front.count - state[INDEX]) * _PER_VALUE - state[DONE]

    def _some(self, most):
        """Make ``most`` conversions or fewer and bring them where they go; tell how many."""
        count = min(most, self._values())
        if not self._running or self._start_ps > clock.now_ps:
            return most  # a fault
        channel = dma.place(_DREQ_ADC) if self._fcs & _DREQ_EN and not self._drop else None
        if channel is None:
            count = min(count, _SCRATCH, self._drop or _SCRATCH)
            self._convert(count, self._scratch, 0)
            self._made += count
            self._queue(count)
        else:
            count = min(count, channel.room())
            self._convert(count, channel.view, channel.at)
            self._made += count
            channel.moved(count)
        return count

    def _convert(self, count, out, at):
        gain = self._gain if self._cs >> 12 & 7 == self._wired else 0
        seed = (self._number + (self._starts << 20)) & _ALL
        convert(front.values, self._state, count, gain, seed, self.bow, self.late, out, at)
        self._result = self._state[LATEST]

    def _queue(self, count):
        """Into the FIFO, as many as there is room for; none while something holds DMA off."""
        if not self._fcs & _FIFO_EN:
            return
        room = 0 if self._drop else _DEPTH - len(self._fifo)
        self._drop = max(0, self._drop - count)
        for i in range(min(count, room)):
            self._fifo.append(self._scratch[2 * i] | self._scratch[2 * i + 1] << 8)
        if count > room:
            self._fcs |= _OVER

    # faults

    def _suffer(self, fault, argument):
        """What came with the bench's answer; see faults."""
        if fault == faults.MISSED_READY:
            self._drop = argument
        elif fault == faults.SILENT:
            self._start_ps = self._start_ps + argument * clock.MS if argument else clock.FAR
        elif fault == faults.STUCK:
            self._state[HELD] = argument * 500 if argument else 0x7FFFFFFF
        elif fault == faults.CHIP_RESET:
            self._reset()
            clock.choose()
        else:
            faults.happen(fault, argument)
