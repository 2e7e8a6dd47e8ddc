"""The bench feed: what the converter's first filter stage delivers, asked for as it is needed.

A value has a number. Numbers lie on a grid in time, one every ``period_ps``; a converter that restarts its
filter moves the grid by less than one step (:func:`align`). A request asks for about 50 ms of values, and
the one after it is asked for at once, so that the host renders while the board works; what the operator does
takes effect within two of them. Values that were asked for ahead and are not wanted after all pass unseen.
"""

import struct
from array import array

import console

_REQUEST = "<BBHIQ"
_ANSWER = "<IHH"
_ANSWER_SIZE = 8
_VALUE_SIZE = 4
_POWERED = 0
_RENDER = 1
_BATCH_MS = 50
_BATCH_LIMIT = 2048

period_ps = 0
batch = 1  # values in 50 ms, at least one
values = None  # array of int32
first = 0  # number of values[0]
count = 0  # values there
fault = 0  # what the last answers want to go wrong, see faults; and its argument
fault_argument = 0

_ask = None
_answer = None
_origin_ps = 0  # time of value number 0
_floor_us = 0  # end of what was asked for: the world does not run backwards
_ahead_us = -1  # time of the first value asked for ahead, -1 for none; and how many
_ahead = 0


def connect(ask, answer, step_ps):
    """Open the feed: two file descriptors, and the time between two values."""
    global _ask, _answer, period_ps, batch, values
    _ask = open(ask, "wb", buffering=0)  # noqa: SIM115
    _answer = open(answer, "rb")  # noqa: SIM115
    period_ps = step_ps
    batch = min(max(_BATCH_MS * 1_000_000_000 // step_ps, 1), _BATCH_LIMIT)
    values = array("i", [0] * batch)


def announce():
    """Tell the host that the board is up."""
    _ask.write(struct.pack(_REQUEST, _POWERED, 0, 0, 0, 0))


def align(time_ps):
    """Move the grid so that a value falls on ``time_ps``; return its number.

    What is there or was asked for ahead passes unseen: the world may have gone on while nobody looked.
    """
    global _origin_ps, count
    _pass_unseen()
    count = 0
    number = -((_origin_ps - time_ps) // period_ps)
    _origin_ps = time_ps - number * period_ps
    return number


def take_fault():
    """The fault that is due and its argument."""
    global fault
    due = fault
    fault = 0
    return due, fault_argument


def load(number, wanted):
    """Have values from ``number`` on, ``wanted`` of them (a batch at most), in ``values[0]`` and after."""
    global first, count
    kept = first + count - number
    if 0 < kept <= count:
        moved = count - kept
        values[0:kept] = values[moved:count]
    else:
        kept = 0
    first = number
    count = kept
    if kept < wanted:
        _fetch(wanted - kept)


def _fetch(wanted):
    """Get ``wanted`` values after those that are there, and ask for as many after them."""
    global count
    start_us = _next_us()
    if (start_us, wanted) != (_ahead_us, _ahead):
        _pass_unseen()
        start_us = max(start_us, _floor_us)
        _request(start_us, wanted)
    _receive(memoryview(values)[count : count + wanted])
    count += wanted
    _request(_next_us(), wanted)


def _next_us():
    """When the value after those that are there is due."""
    return (_origin_ps + (first + count) * period_ps) // 1_000_000


def _request(start_us, wanted):
    global _ahead_us, _ahead, _floor_us
    _ask.write(struct.pack(_REQUEST, _RENDER, 0, 0, wanted, start_us))
    _ahead_us, _ahead = start_us, wanted
    _floor_us = start_us + wanted * period_ps // 1_000_000


def _receive(place):
    """Fill ``place`` with the values asked for last."""
    _receive_header()
    if not _answer.readinto(place):
        console.power_off("")


def _receive_header():
    global fault, fault_argument, _ahead_us
    header = bytearray(_ANSWER_SIZE)
    if _answer.readinto(header) != _ANSWER_SIZE:
        console.power_off("")
    got, code, argument = struct.unpack(_ANSWER, header)
    if got != _ahead:
        console.power_off("")
    _ahead_us = -1
    if code:
        fault = code
        fault_argument = argument


def _pass_unseen():
    """Let go of what was asked for ahead, a value at a time: the heap has no room for all of them."""
    if _ahead_us < 0:
        return
    _receive_header()
    unseen = bytearray(_VALUE_SIZE)
    for _ in range(_ahead):
        if _answer.readinto(unseen) != _VALUE_SIZE:
            console.power_off("")
