"""MicroPython's ``rp2``: assembles a PIO program and runs it on the simulated chip's pins.

The instructions that the board's programs use, encoded as the RP2040 data sheet (section 3.4) has it; one
side-set pin that every instruction sets, one input pin, no delays. A state machine runs at once, up to where
it waits for the script, and takes its cycles of virtual time. An instruction that waits still sets its pin.
"""

import clock
from dma import DMA  # noqa: F401

_JMP, _IN, _PUSH_PULL, _MOV, _SET = 0, 2, 4, 5, 7
_PULL = 0x80
_BLOCK = 0x20
_X, _Y, _OSR = 1, 2, 7
_X_DEC, _Y_DEC = 2, 4
_NOP = 0xA042
_EMPTY = -1


class PIO:
    """Names for the options of a program."""

    OUT_LOW = 0
    SHIFT_LEFT = 0


class _Assembler:
    """Collects opcodes; each instruction returns itself for ``.side()``."""

    def __init__(self):
        self.opcodes = []
        self._labels = {}

    def names(self):
        """What a program may use."""
        return {
            "block": _BLOCK,
            "osr": _OSR,
            "pins": 0,
            "x": _X,
            "y": _Y,
            "x_dec": _X_DEC,
            "y_dec": _Y_DEC,
            "pull": lambda wait: self._add(_PUSH_PULL, _PULL | wait),
            "push": lambda wait: self._add(_PUSH_PULL, wait),
            "mov": lambda to, source: self._add(_MOV, to << 5 | source),
            "set": lambda to, value: self._add(_SET, to << 5 | value),
            "in_": lambda source, count: self._add(_IN, source << 5 | count),
            "nop": lambda: self._add(_MOV, _Y << 5 | _Y),
            "jmp": lambda condition, name: self._add(_JMP, condition << 5 | self._labels.get(name, 0)),
            "label": self._label,
        }

    def side(self, level):
        """The level of the side-set pin with the instruction just added."""
        self.opcodes[-1] |= level << 12
        return self

    def _label(self, name):
        self._labels[name] = len(self.opcodes)

    def _add(self, kind, operands):
        self.opcodes.append(kind << 13 | operands)
        return self


def asm_pio(sideset_init=None, in_shiftdir=PIO.SHIFT_LEFT):
    """Turn a function into its opcodes; it runs twice, so that labels ahead are known."""
    if sideset_init != PIO.OUT_LOW or in_shiftdir != PIO.SHIFT_LEFT:
        raise ValueError("not simulated: any but one side-set pin, low, and shifting left")

    def assemble(function):
        assembler = _Assembler()
        world = function.__globals__
        kept = dict(world)
        world.update(assembler.names())
        function()
        assembler.opcodes = []
        function()
        world.clear()
        world.update(kept)
        return assembler.opcodes

    return assemble


class StateMachine:
    """A state machine with one word in each direction."""

    def __init__(self, number, program, *, freq, sideset_base, in_base):
        self._program = program
        self._cycle_ps = 1_000_000_000_000 // freq
        self._clock = sideset_base
        self._data = in_base
        self._active = 0
        self._sent = _EMPTY
        self._received = _EMPTY
        self._level = 0
        self._x = self._y = self._osr = self._isr = 0
        self.restart()

    def active(self, on):
        """Let it run, or stand still."""
        self._active = on
        if on:
            self._run()

    def restart(self):
        """Back to the first instruction."""
        self._at = 0
        self._isr = 0

    def put(self, value):
        """A word for the program."""
        self._sent = value
        if self._active:
            self._run()

    def rx_fifo(self):
        """How many words wait for the script."""
        return 0 if self._received == _EMPTY else 1

    def get(self):
        """A word from the program."""
        value = self._received
        self._received = _EMPTY
        return value

    def exec(self, opcode):
        """Run one instruction now."""
        if opcode & 0xEFFF != _NOP:
            raise ValueError("not simulated by hand: any instruction but nop")
        self._side(opcode >> 12 & 1)

    def _run(self):
        """Until it waits for the script."""
        while True:
            opcode = self._program[self._at]
            self._side(opcode >> 12 & 1)
            if not self._obey(opcode):
                return
            clock.spend(self._cycle_ps)

    def _obey(self, opcode):
        """Carry out an instruction; False while it has to wait."""
        kind = opcode >> 13
        following = (self._at + 1) % len(self._program)
        if kind == _PUSH_PULL and opcode & _PULL:
            if self._sent == _EMPTY:
                return False
            self._osr = self._sent
            self._sent = _EMPTY
        elif kind == _PUSH_PULL:
            if self._received != _EMPTY:
                return False
            self._received = self._isr
            self._isr = 0
        elif kind == _JMP:
            if self._decrement(opcode >> 5 & 7):
                following = opcode & 31
        elif kind == _IN:
            self._isr = self._isr << 1 & 0xFFFFFFFF | self._data._sense()
        elif kind == _SET:
            self._write(opcode >> 5 & 7, opcode & 31)
        elif opcode & 0x3FF != _NOP & 0x3FF:
            self._write(opcode >> 5 & 7, self._osr)
        self._at = following
        return True

    def _decrement(self, condition):
        """Whether a counter was not yet zero; it goes down in any case."""
        if condition == _X_DEC:
            self._x -= 1
            return self._x >= 0
        self._y -= 1
        return self._y >= 0

    def _write(self, register, value):
        if register == _X:
            self._x = value
        else:
            self._y = value

    def _side(self, level):
        if level != self._level:
            self._level = level
            self._clock._drive(level)
