"""The clock pulses of an HX711 by a PIO state machine of an RP2040 or RP2350.

A pulse cannot be stretched by an interrupt, which would reset the chip in mid-word, and interrupts need not
be held off. Raises ImportError on a board that has no PIO.
"""

# ruff: noqa: F403, F405

from time import sleep_us, ticks_diff, ticks_us

import rp2

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rp2.asm_pio import *

_CYCLES_HZ = 1_000_000  # high for 2 us or 1 us, low for 1 us: the data sheet asks for 0.2 to 50 us
_LIMIT_US = 1000  # 27 pulses take 82 us
_SIDE_HIGH = 0xB042  # nop, clock high; run by hand while the machine stands still
_SIDE_LOW = 0xA042


@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, in_shiftdir=rp2.PIO.SHIFT_LEFT)
def program():
    """Take a number from the host, shift 24 bits in, then give as many pulses and one more."""
    pull(block).side(0)
    mov(y, osr).side(0)
    set(x, 23).side(0)
    label("bit")
    nop().side(1)
    in_(pins, 1).side(1)
    jmp(x_dec, "bit").side(0)
    label("more")
    nop().side(1)
    jmp(y_dec, "more").side(0)
    push(block).side(0)


class PulseReader:
    """State machine ``number`` on the pins of clock and data."""

    def __init__(self, number, clock, data):
        self._machine = rp2.StateMachine(number, program, freq=_CYCLES_HZ, sideset_base=clock, in_base=data)
        self._machine.active(1)

    def read(self, pulses):
        """24 bits by ``pulses`` clock pulses, 25 or more; -1 if the machine does not answer."""
        machine = self._machine
        machine.put(pulses - 25)
        since = ticks_us()
        while machine.rx_fifo() == 0:
            if ticks_diff(ticks_us(), since) > _LIMIT_US:
                return -1
        return machine.get()

    def hold_high(self, duration_us):
        """Hold the clock high, then low, and stand ready."""
        machine = self._machine
        machine.active(0)
        machine.exec(_SIDE_HIGH)
        sleep_us(duration_us)
        machine.exec(_SIDE_LOW)
        machine.restart()
        machine.active(1)
