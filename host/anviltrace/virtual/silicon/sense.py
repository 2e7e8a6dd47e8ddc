"""What the side sensors sense: asked of the bench as it is needed, about times that have passed.

Numbers of the signals, as in ``Signal`` of the host's ``surroundings.py``: 0 voltage at the pack in uV,
1 current in uA, 2 to 4 acceleration of the handle in mm/s2, 5 temperature of the transducer in millionths of
a degree Celsius, 6 whether the trigger contact is closed.
"""

import struct
from array import array

import console

VOLTAGE, CURRENT, ACCELERATION, TEMPERATURE, CONTACT = 0, 1, 2, 5, 6

_REQUEST = "<BBHIIQ"

chips = []  # of the board's sensors, in the order of its settings

_ask = None
_answer = None


def connect(ask, answer):
    """Open the feed: two file descriptors."""
    global _ask, _answer
    _ask = open(ask, "wb", buffering=0)  # noqa: SIM115
    _answer = open(answer, "rb")  # noqa: SIM115


def means(signal, signals, count, last_ps, step_ps, width_ps):
    """Means over ``width_ps`` that end every ``step_ps``, the last of ``count`` at ``last_ps``.

    An array of ``count`` times ``signals`` numbers, those of a moment together.
    """
    values = array("i", [0] * (count * signals))
    first_ns = (last_ps - (count - 1) * step_ps) // 1000
    _ask.write(struct.pack(_REQUEST, signal, signals, count, step_ps // 1000, width_ps // 1000, first_ns))
    if not _answer.readinto(values):
        console.power_off("")
    return values


def silence(number):
    """A sensor of the board answers no more."""
    if number < len(chips):
        chips[number].silent = True


def freeze(number):
    """A sensor of the board answers, but converts no more."""
    if number < len(chips):
        chips[number].freeze()
