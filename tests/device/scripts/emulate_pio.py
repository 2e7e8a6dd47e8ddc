# Runs the board's HX711 program in rp2040-pio-emulator against a model of the chip, and assembles it anew
# with adafruit_pioasm: emulate_pio.py OPCODES. Needs an environment that has these two; prints JSON.
import itertools
import json
import sys
from collections import deque

import adafruit_pioasm
from pioemu import State, emulate

# the same program in the language of the RP2040 data sheet
TEXT = """
.program pulses
.side_set 1
    pull block side 0
    mov y, osr side 0
    set x, 23 side 0
bit:
    nop side 1
    in pins, 1 side 1
    jmp x--, bit side 0
more:
    nop side 1
    jmp y--, more side 0
    push block side 0
"""
CLOCK_PIN = 1  # DOUT is pin 0: the emulator counts input pins from there


class Chip:
    """DOUT and PD_SCK of an HX711 whose conversion is ready: each rising edge shifts out a bit."""

    def __init__(self, code):
        self.code = code
        self.pulses = 0
        self.level = 0
        self.edges = []

    def data(self, state: State) -> int:
        """Pin values with DOUT, from where the clock is now."""
        level = state.pin_values >> CLOCK_PIN & 1
        if level != self.level:
            self.level = level
            self.edges.append(state.clock)
            self.pulses += level
        if self.pulses == 0:
            return 0
        return self.code >> (24 - self.pulses) & 1 if self.pulses <= 24 else 1


def read(opcodes, code, pulses):
    """One reading by so many pulses."""
    chip = Chip(code)
    start = State(transmit_fifo=deque([pulses - 25]), pin_directions=1 << CLOCK_PIN)
    steps = emulate(
        opcodes,
        stop_when=lambda _, state: len(state.receive_fifo) > 0 or state.clock > 1000,
        initial_state=start,
        input_source=chip.data,
        shift_isr_right=False,
        side_set_base=CLOCK_PIN,
        side_set_count=1,
    )
    for _, state in steps:
        chip.data(state)
        last = state
    spans = [after - before for before, after in itertools.pairwise(chip.edges)]
    return {
        "code": code,
        "pulses": pulses,
        "read": last.receive_fifo[0] if last.receive_fifo else None,
        "pulses_given": chip.pulses,
        "high_us": spans[0::2],
        "low_us": spans[1::2],
    }


given = json.loads(sys.argv[1])
print(
    json.dumps(
        {
            "assembled": list(adafruit_pioasm.assemble(TEXT)),
            "readings": [
                read(given, code, pulses)
                for code in (0x418937, 0x800000, 0x7FFFFF, 0xA5C3F1)
                for pulses in (25, 26, 27)
            ],
        }
    )
)
