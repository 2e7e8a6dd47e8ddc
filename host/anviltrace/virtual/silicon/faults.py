"""What can go wrong on purpose. The same numbers stand in ``Fault`` of the host's ``board.py``.

A fault comes with the bench's next answer, together with an argument:

====  ===============  =======================================================================
code  name             what happens; the argument
====  ===============  =======================================================================
0     NONE             nothing
1     STRETCHED_CLOCK  HX711: the clock stays high for 100 us; at this pulse of the next reading
2     MISSED_READY     data-ready comes and nobody notices; this many times. Own ADC: DMA is held off
                       while it makes this many conversions
3     EXTRA_READY      ADS1220, ADS1256: a rogue data-ready edge between two conversions; this many times
4     SILENT           the chip stops converting; for this many milliseconds, 0 for ever
5     STRAY_TEXT       text on the serial line; this many lines
6     BOARD_RESET      the board resets, so the port goes away
7     CHIP_RESET       the chip resets; HX711: at this pulse of the next reading
8     UNACKNOWLEDGED   I2C: nobody answers; this many transfers, 0 for ever
9     STUCK            own ADC: repeats its latest conversion; for this many milliseconds, 0 for ever
20    SENSOR_SILENT    a side sensor answers no more; its number
21    SENSOR_FROZEN    a side sensor converts no more; its number
====  ===============  =======================================================================
"""

import console
import sense

NONE = 0
STRETCHED_CLOCK = 1
MISSED_READY = 2
EXTRA_READY = 3
SILENT = 4
STRAY_TEXT = 5
BOARD_RESET = 6
CHIP_RESET = 7
UNACKNOWLEDGED = 8
STUCK = 9
SENSOR_SILENT = 20
SENSOR_FROZEN = 21


def happen(fault, argument):
    """The faults that are the board's and not the chip's."""
    if fault == STRAY_TEXT:
        for line in range(argument):
            print("stray text, line %d of %d\r" % (line + 1, argument))
    elif fault == BOARD_RESET:
        console.power_off("board reset")
    elif fault == SENSOR_SILENT:
        sense.silence(argument)
    elif fault == SENSOR_FROZEN:
        sense.freeze(argument)
