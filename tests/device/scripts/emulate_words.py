# Runs the board's program for continuous reading in rp2040-pio-emulator against a model of an ADS1256, and
# assembles it anew with adafruit_pioasm: emulate_words.py PROGRAM. Needs an environment that has these two;
# prints JSON. PROGRAM: opcodes, where it begins anew, and behind which instruction.
import itertools
import json
import random
import sys
from collections import deque

import adafruit_pioasm
from pioemu import State, emulate

# the same program in the language of the RP2040 data sheet
TEXT = """
.program words
.side_set 1
    pull block side 0
.wrap_target
    set y, 31 side 0
low:
    jmp pin, look side 0
    jmp low side 0
next:
    mov y, osr side 0
look:
    jmp y--, counted side 0 [1]
    mov y, null side 0
counted:
    jmp pin, look side 0 [1]
    set x, 23 side 0
bit:
    nop side 1 [1]
    in pins, 1 side 0
    jmp x--, bit side 0
    in y, 8 side 0
    push block side 0
    set x, 14 side 0
blind:
    jmp x--, blind side 0 [7]
    jmp pin, next side 0
.wrap
"""
DATA, READY, CLOCK = 0, 1, 2  # the emulator counts input pins from 0
PERIOD = 250  # cycles: 7.5 MHz at 30,000 samples a second


class Chip:
    """DOUT and DRDY of an ADS1256 that reads continuously, from the data sheet (TI SBAS288K, p. 34-36).

    A code is ready every ``PERIOD`` cycles and pulls DRDY low; each rising edge of SCLK shifts a bit out, and
    the 24th falling one takes DRDY high. An unread code gives way to the next, with DRDY high for two cycles
    (16 crystal periods) before it. ``missed``: codes whose DRDY stays high. ``deaf`` from that code on the
    chip does not take the clock for a reading. ``spike``: DRDY is low for five cycles that long after code 5.
    """

    def __init__(self, codes, first=700, missed=(), deaf=None, spike=None):
        self.codes = codes
        self.first = first
        self.missed = missed
        self.deaf = deaf
        self.spike = spike
        self.level = 0
        self.bits = 0
        self.shifted = 0
        self.read = set()
        self.rises = []
        self.falls = []

    def number(self, clock):
        """Of the latest code, -1 before the first; and how long ago."""
        return (clock - self.first) // PERIOD, (clock - self.first) % PERIOD

    def pins(self, state: State) -> int:
        """Levels of DOUT and DRDY."""
        number, age = self.number(state.clock)
        low = number >= 0 and number not in self.read and number not in self.missed and age < PERIOD - 16
        if self.spike is not None and number == 5 and 0 <= age - self.spike < 5:
            low = True
        return self.shifted << DATA | (0 if low else 1) << READY

    def clocked(self, level, clock):
        """SCLK at ``level`` since ``clock``."""
        if level and not self.level:
            self.rises.append(clock)
            self.bits += 1
            number = max(self.number(clock)[0], 0)
            self.shifted = self.codes[number] >> (24 - self.bits) & 1
        if self.level and not level:
            self.falls.append(clock)
            if self.bits == 24:
                self.bits = 0
                number = self.number(clock)[0]
                if self.deaf is None or number < self.deaf:
                    self.read.add(number)
        self.level = level


def run(program, words, **how):
    """What the program pushes, and when; how the chip was clocked."""
    opcodes, wrap_target, wrap = program
    rng = random.Random(20261125)
    codes = [0x800000, 0x7FFFFF, 0x000000, 0xFFFFFF, 0x000001, 0xA5C3F1]
    codes += [rng.getrandbits(24) for _ in range(words)]
    chip = Chip(codes, **how)
    start = State(transmit_fifo=deque([255]), pin_directions=1 << CLOCK)
    steps = emulate(
        opcodes,
        stop_when=lambda _, state: state.clock > chip.first + (words + 1) * PERIOD,
        initial_state=start,
        input_source=chip.pins,
        shift_isr_right=False,
        side_set_base=CLOCK,
        side_set_count=1,
        jmp_pin=READY,
        wrap_target=wrap_target,
        wrap_top=wrap,
    )
    pushed = []
    for before, state in steps:
        # side-set acts at the beginning of an instruction (RP2040 data sheet, 3.5.1)
        chip.clocked(state.pin_values >> CLOCK & 1, before.clock)
        while state.receive_fifo:
            pushed.append((state.receive_fifo.popleft(), state.clock))
    return {
        "codes": codes,
        "words": [word >> 8 for word, _ in pushed],
        "waits": [255 - (word & 255) for word, _ in pushed],
        "at": [clock - chip.first for _, clock in pushed],
        "highs": [fall - rise for rise, fall in zip(chip.rises, chip.falls, strict=False)],
        "lows": [rise - fall for fall, rise in zip(chip.falls, chip.rises[1:], strict=False)],
        "periods": [after - before for before, after in itertools.pairwise(chip.rises)],
        "rises": [rise - chip.first for rise in chip.rises],
    }


given = json.loads(sys.argv[1])
assembled = adafruit_pioasm.Program(TEXT)
print(
    json.dumps(
        {
            "assembled": [
                list(assembled.assembled),
                *[assembled.pio_kwargs[k] for k in ("wrap_target", "wrap")],
            ],
            "continuous": run(given, 300),
            "missed": run(given, 24, missed=(10, 15, 16)),
            "long": run(given, 24, missed=range(10, 20)),
            "deaf": run(given, 24, deaf=10),
            "spike": run(given, 24, spike=140),
            "early": run(given, 24, spike=236),
        }
    )
)
