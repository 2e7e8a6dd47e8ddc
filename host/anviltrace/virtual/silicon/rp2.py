"""MicroPython's ``rp2``: state machines that run beside the script, and the DMA channels.

A state machine carries out its program instruction by instruction at its own pace, on the pins that its side
goes to and its input comes from. A program that keeps doing the same (it looks for data-ready, shifts a code
in and pushes a word that DMA takes at once) is carried out in full until its timing has shown twice; from
then on the words are worked out from that timing until something out of the ordinary happens. Both ways
give the same words.
"""

import clock
import dma
import heap
import machine
import pioprogram as op
from dma import DMA  # noqa: F401

_FIFO = 4
_FAR = clock.FAR


class PIO:
    """Names for the options of a program."""

    OUT_LOW = 2
    SHIFT_LEFT = 0
    SHIFT_RIGHT = 1
    JOIN_NONE = 0


def asm_pio(*, sideset_init=None, in_shiftdir=PIO.SHIFT_LEFT):
    """Turn a function into a program."""
    if sideset_init != PIO.OUT_LOW or in_shiftdir != PIO.SHIFT_LEFT:
        raise ValueError("not simulated: any but one side-set pin, low, and shifting left")
    return op.assembled


class StateMachine:
    """A state machine with four words in each direction; its receive FIFO is a source for DMA."""

    def __init__(self, number, program=None, **options):
        self._number = number
        self._request = (number // 4) * 8 + 4 + number % 4
        self._function = machine.Pin.ALT_PIO0 + number // 4
        self.address = 0x50200020 + 0x100000 * (number // 4) + 4 * (number % 4)
        self._sent = []
        self._received = []
        self._active = False
        self._running = False
        self._stalled = False
        self._level = 0
        self._x = self._y = self._osr = self._isr = 0
        self._forget_rhythm()
        dma.connect(self._request, self)
        if program is not None:
            self.init(program, **options)

    # MicroPython's interface

    def init(self, program, *, freq, sideset_base, in_base, jmp_pin=None):
        """Another program, or another pace."""
        self._program = program
        self._cycle_ps = 1_000_000_000_000 // freq
        self._clock = sideset_base
        self._data = in_base
        self._jmp_pin = jmp_pin
        self._sent.clear()
        self._received.clear()
        self.active(0)
        sideset_base.init(machine.Pin.ALT, alt=self._function)
        self._side(0)
        self._forget_rhythm()
        self.restart()

    def active(self, on=None):
        """Let it run, or stand still; whether it runs."""
        self.catch_up()
        if on is not None:
            self._leave_replay()
            self.catch_up()
            self._active = bool(on)
            self._at_ps = clock.now_ps
            self._stalled = False
            clock.agent = self if on else None
        return self._active

    def restart(self):
        """Back to the first instruction."""
        self.catch_up()
        self._forget_rhythm()
        self._at = 0
        self._isr = 0
        self._at_ps = clock.now_ps
        self._stalled = False

    def put(self, value, shift=0):
        """A word for the program."""
        self.catch_up()
        depth = heap.unlock()
        self._sent.append(value << shift)
        heap.relock(depth)
        self._wake()

    def rx_fifo(self):
        """How many words wait for the script."""
        self.catch_up()
        return len(self._received)

    def tx_fifo(self):
        """How many words wait for the program."""
        self.catch_up()
        return len(self._sent)

    def get(self, buffer=None):
        """A word from the program, or as many as ``buffer`` holds."""
        self.catch_up()
        if buffer is None:
            return self.take()
        for i in range(len(buffer)):
            buffer[i] = self.take() & (0xFF if isinstance(buffer, bytearray) else 0xFFFFFFFF)
        return buffer

    def exec(self, opcode):
        """Run one instruction now."""
        if opcode & 0xEFFF != op.NOP:
            raise ValueError("not simulated by hand: any instruction but nop")
        self._side(opcode >> 12 & 1)

    # what DMA asks

    def catch_up(self):
        """Let it do what is due by now."""
        if self._active:
            self.run(clock.now_ps + 1)

    def waiting(self):
        """Words in the receive FIFO."""
        return len(self._received)

    def take(self):
        """The first of them."""
        value = self._received.pop(0)
        self._wake()
        return value

    def _wake(self):
        if self._stalled:
            self._stalled = False
            self._at_ps = clock.now_ps

    # instruction by instruction

    def run(self, limit_ps):
        """What it does before ``limit_ps``."""
        if self._replaying:
            if self._flight_ps < limit_ps:
                self._land()
            if self._replaying:
                return
        if self._running or self._stalled or self._at_ps >= limit_ps:
            return
        depth = heap.unlock()
        self._running = True
        self._limit_ps = limit_ps
        now_ps = clock.now_ps
        while self._at_ps < limit_ps:
            clock.now_ps = self._at_ps
            opcode = self._program.opcodes[self._at]
            self._side(opcode >> 12 & 1)
            if not self._obey(opcode):
                self._stalled = True
                break
            self._at_ps = clock.now_ps + self._cycle_ps * (1 + (opcode >> 8 & 15))
        clock.now_ps = max(now_ps, clock.now_ps)
        self._running = False
        heap.relock(depth)

    def _obey(self, opcode):
        """Carry out an instruction; False while it has to wait."""
        kind = opcode >> 13
        following = self._program.wrap_target if self._at == self._program.wrap else self._at + 1
        if kind == op.PUSH_PULL and opcode & op.PULL:
            if not self._sent:
                return False
            self._osr = self._sent.pop(0)
        elif kind == op.PUSH_PULL:
            if len(self._received) >= _FIFO:
                return False
            self._push()
        elif kind == op.JMP:
            if self._jumps(opcode >> 5 & 7):
                following = opcode & 31
        elif kind == op.IN:
            self._shift(opcode >> 5 & 7, opcode & 31 or 32)
        elif kind == op.SET:
            self._write(opcode >> 5 & 7, opcode & 31)
        else:
            self._write(opcode >> 5 & 7, self._value(opcode & 7))
        self._at = following
        return True

    def _push(self):
        self._received.append(self._isr)
        self._isr = 0
        self._pushed_after_ps = clock.now_ps - self._saw_ps
        self._new_word = True
        dma.request(self._request)

    def _jumps(self, condition):
        if condition == op.X_DEC:
            self._x = (self._x - 1) & 0xFFFFFFFF
            return self._x != 0xFFFFFFFF
        if condition == op.Y_DEC:
            self._y = (self._y - 1) & 0xFFFFFFFF
            return self._y != 0xFFFFFFFF
        if condition == op.PIN:
            return self._look()
        return True

    def _shift(self, source, count):
        bits = self._data._sense() if source == op.PINS else self._value(source)
        self._isr = (self._isr << count | bits & (1 << count) - 1) & 0xFFFFFFFF

    def _value(self, source):
        if source == op.OSR:
            return self._osr
        return {op.X: self._x, op.Y: self._y, op.NULL: 0}[source]

    def _write(self, register, value):
        if register == op.X:
            self._x = value
        else:
            self._y = value

    def _side(self, level):
        if level != self._level:
            self._level = level
            if machine.function_of(self._clock) == self._function:
                self._clock._drive(level)

    # its rhythm

    def _forget_rhythm(self):
        self._loop_at = -1  # the instruction that looks for data-ready again and again
        self._step_ps = 0  # and how often
        self._saw_ps = 0  # when it last saw data-ready
        self._pushed_after_ps = 0  # how long after that it pushed the word
        self._again_ps = 0  # and began to look again; what Y was then
        self._left_again = 0
        self._steady = 0  # how many times in a row these were the same
        self._new_word = False
        self._looked_at = -1
        self._looked_ps = 0
        self._looked_y = 0
        self._looking = False  # whether the last look there saw nothing
        self._replaying = False
        self._flight_ps = _FAR

    def _look(self):
        """The level of the pin that jumps depend on; notes the rhythm of the looks."""
        level = self._jmp_pin._sense()
        if self._at == self._looked_at:
            self._loop_at = self._at
            self._step_ps = clock.now_ps - self._looked_ps
        if self._at == self._loop_at:
            if self._new_word:
                self._new_word = False
                self._note_rhythm(clock.now_ps - self._saw_ps)
            self._looking = bool(level)
            if not level:
                self._saw_ps = clock.now_ps
            elif self._at == self._looked_at and self._y == self._looked_y:
                self._wait_on()
        self._looked_at = self._at
        self._looked_ps = clock.now_ps
        self._looked_y = self._y
        return level

    def _wait_on(self):
        """Nothing changes from look to look but the time: leave out those that see nothing for sure."""
        until_ps = min(self._limit_ps, clock.next_ps, clock.chip.quiet_until())
        clock.now_ps += max(0, (until_ps - clock.now_ps) // self._step_ps - 1) * self._step_ps

    def _note_rhythm(self, again_ps):
        same = again_ps == self._again_ps and self._y == self._left_again
        self._steady = self._steady + 1 if same else 0
        self._again_ps = again_ps
        self._left_again = self._y

    def replay(self, limit_ps):
        """Take the next data-readies up to ``limit_ps`` in the known rhythm; whether it took any."""
        if self._steady < 2 or not self._active:
            return False
        if not self._replaying:
            self.run(clock.next_ps)
            if not self._may_replay():
                return False
            self._replaying = True
            self._next_look_ps = self._looked_ps + self._step_ps
            self._left = self._looked_y - 1
        elif self._flight_ps < clock.next_ps:
            self._land()
        chip = clock.chip
        channel = dma.place(self._request)
        if not self._replaying or not chip.quick or chip.special or channel is None:
            self._leave_replay()
            return False
        edge_ps = clock.next_ps
        clock.now_ps = max(clock.now_ps, edge_ps)
        clock.next_ps += clock.period_ps
        clock.ready += 1
        at = chip.code_at()
        if not chip.quick or chip.special or clock.next_ps != edge_ps + clock.period_ps:
            self._skip_looks(edge_ps)
            self._leave_replay()
            return True
        count = min((chip.codes_end - at) // 3, channel.room(), 1 + (limit_ps - edge_ps) // clock.period_ps)
        self._write_words(chip, channel, at, count, edge_ps)
        if self._flight_ps <= limit_ps:
            self._land()
        return True

    def _may_replay(self):
        """Whether it stands in its loop and the rhythm fits the chip's."""
        return (
            not self._stalled
            and not self._received
            and self._looking
            and self._looked_at == self._loop_at
            and self._looked_y > clock.period_ps // self._step_ps + 1
            and self._again_ps + self._step_ps < clock.period_ps
            and self._left_again > clock.period_ps // self._step_ps + 1
        )

    def _write_words(self, chip, channel, at, count, edge_ps):
        """Words of ``count`` data-readies; the last is on its way."""
        view, to = channel.view, channel.at
        seen_ps = op.replay_words(
            chip.codes,
            at,
            count,
            view,
            to,
            self._next_look_ps,
            self._left,
            edge_ps,
            clock.period_ps,
            self._step_ps,
            self._again_ps,
            self._left_again,
        )
        clock.ready += count - 1
        clock.next_ps += (count - 1) * clock.period_ps
        clock.now_ps = max(clock.now_ps, edge_ps + (count - 1) * clock.period_ps)
        chip.taken = clock.ready - 1
        if count > 1:
            channel.moved(count - 1)
        self._saw_ps = seen_ps
        self._left_then = view[to + 4 * (count - 1)]
        self._next_look_ps = seen_ps + self._again_ps
        self._left = self._left_again
        self._flight_ps = seen_ps + self._pushed_after_ps

    def _land(self):
        """The word on its way arrives, if DMA takes it."""
        channel = dma.place(self._request)
        if channel is None:
            self._leave_replay()
            return
        self._flight_ps = _FAR
        clock.chip.taken = clock.ready
        channel.moved(1)

    def _skip_looks(self, edge_ps):
        """Looks before a data-ready saw nothing."""
        steps = (edge_ps - self._next_look_ps + self._step_ps - 1) // self._step_ps
        self._next_look_ps += steps * self._step_ps
        self._left -= steps

    def _leave_replay(self):
        """Go on instruction by instruction, from where the last data-ready was seen or is looked for."""
        if not self._replaying:
            return
        self._replaying = False
        self._at = self._loop_at
        if self._flight_ps < _FAR:
            self._at_ps, self._y = self._saw_ps, self._left_then
        else:
            self._at_ps, self._y = self._next_look_ps, self._left
        self._flight_ps = _FAR
        self._looked_at = -1
        self._new_word = False
