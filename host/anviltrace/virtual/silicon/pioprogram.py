"""PIO programs: the functions that MicroPython's ``rp2.asm_pio`` turns into opcodes.

The instructions that the board's programs use, encoded as the RP2040 data sheet (section 3.4) has it, with
one side-set pin that every instruction sets; delays take the four bits that are left.
"""

import micropython

JMP, IN, PUSH_PULL, MOV, SET = 0, 2, 4, 5, 7
PULL = 0x80
BLOCK = 0x20
PINS, X, Y, NULL, OSR = 0, 1, 2, 3, 7
ALWAYS, X_DEC, Y_DEC, PIN = 0, 2, 4, 6
NOP = 0xA042


class Program:
    """Opcodes, and where the program begins anew: after ``wrap`` comes ``wrap_target``."""

    def __init__(self, opcodes, wrap_target, wrap):
        self.opcodes = opcodes
        self.wrap_target = wrap_target
        self.wrap = wrap

    def __iter__(self):
        return iter(self.opcodes)


class Assembler:
    """Collects opcodes; each instruction returns itself for ``.side()`` and ``[delay]``."""

    def __init__(self):
        self._labels = {}
        self.begin()

    def begin(self):
        """Start over; labels stay known."""
        self._opcodes = []
        self._wrap_target = 0
        self._wrap = -1

    def program(self):
        """What came of it."""
        last = len(self._opcodes) - 1
        return Program(self._opcodes, self._wrap_target, last if self._wrap < 0 else self._wrap)

    def names(self):
        """What a program may use."""
        return {
            "block": BLOCK,
            "osr": OSR,
            "null": NULL,
            "pins": PINS,
            "pin": PIN,
            "x": X,
            "y": Y,
            "x_dec": X_DEC,
            "y_dec": Y_DEC,
            "pull": lambda wait: self._add(PUSH_PULL, PULL | wait),
            "push": lambda wait: self._add(PUSH_PULL, wait),
            "mov": lambda to, source: self._add(MOV, to << 5 | source),
            "set": lambda to, value: self._add(SET, to << 5 | value),
            "in_": lambda source, count: self._add(IN, source << 5 | count & 31),
            "nop": lambda: self._add(MOV, Y << 5 | Y),
            "jmp": self._jump,
            "label": self._label,
            "wrap_target": self._note_wrap_target,
            "wrap": self._note_wrap,
        }

    def side(self, level):
        """The level of the side-set pin with the instruction just added."""
        self._opcodes[-1] |= level << 12
        return self

    def __getitem__(self, delay):
        if not 0 <= delay < 16:
            raise ValueError("a delay takes four bits beside a side-set pin, not %d" % delay)
        self._opcodes[-1] |= delay << 8
        return self

    def _jump(self, condition, name=None):
        if name is None:
            condition, name = ALWAYS, condition
        return self._add(JMP, condition << 5 | self._labels.get(name, 0))

    def _label(self, name):
        self._labels[name] = len(self._opcodes)

    def _note_wrap_target(self):
        self._wrap_target = len(self._opcodes)

    def _note_wrap(self):
        self._wrap = len(self._opcodes) - 1

    def _add(self, kind, operands):
        self._opcodes.append(kind << 13 | operands)
        return self


def assembled(function):
    """The program of a function; it runs twice, so that labels ahead are known."""
    assembler = Assembler()
    world = function.__globals__
    kept = dict(world)
    world.update(assembler.names())
    function()
    assembler.begin()
    function()
    world.clear()
    world.update(kept)
    return assembler.program()


@micropython.viper
def replay_words(
    codes: ptr8,  # noqa: F821
    at: int,
    count: int,
    view: ptr8,  # noqa: F821
    to: int,
    look: int,
    left: int,
    edge: int,
    period: int,
    step: int,
    again: int,
    left_again: int,
) -> int:
    """Write ``count`` words as a state machine would that looks for an edge and then shifts a code in.

    ``look`` is when it looks next, ``left`` the counter then; it looks every ``step``, counting down, until
    the edge is there, and looks for the following one ``again`` after it saw this one, the counter being
    ``left_again``. Returns when it saw the last edge. The word: the counter's lowest byte, then the code.
    """
    seen = look
    for _ in range(count):
        steps = (edge - look + step - 1) // step
        seen = look + steps * step
        view[to] = (left - steps) & 255
        view[to + 1] = codes[at + 2]
        view[to + 2] = codes[at + 1]
        view[to + 3] = codes[at]
        at += 3
        to += 4
        edge += period
        look = seen + again
        left = left_again
    return seen
