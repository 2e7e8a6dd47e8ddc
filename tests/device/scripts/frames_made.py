"""Frames of a full block made in a second, as bytecode, as native and as viper code: three lines.

The same loops (device/quick.py) compiled three ways. Argument: the path of quick.py.
"""

import sys
from time import ticks_diff, ticks_us

from anvilwire.frame import HEADER_SIZE
from anvilwire.messages import BLOCK_HEADER_SIZE, BLOCK_SAMPLES
from anvilwire.stuffing import stuffed_size

_LENGTH = HEADER_SIZE + BLOCK_HEADER_SIZE + 3 * BLOCK_SAMPLES
_LEAST_US = 1_000_000


def loops(source, kind):
    """What ``quick.py`` defines, with its viper code compiled as ``kind``."""
    decorator = "@micropython." + kind + "\n" if kind != "bytecode" else ""
    if kind != "viper":
        for name in ("ptr8", "ptr16"):
            source = source.replace(": " + name, "")
    names = {}
    exec(source.replace("@micropython.viper\n", decorator), names)
    return names


def frames_in_a_second(frame_into):
    """Full blocks of noise, framed again and again."""
    raw = bytearray(_LENGTH + 4)
    for i in range(_LENGTH):
        raw[i] = (i * 197 + (i >> 3)) & 255
    wire = bytearray(2 + stuffed_size(len(raw)))
    made = 0
    begun = ticks_us()
    while ticks_diff(ticks_us(), begun) < _LEAST_US:
        for _ in range(10):
            frame_into(raw, _LENGTH, wire)
        made += 10
    return made * 1_000_000 // ticks_diff(ticks_us(), begun), bytes(wire)


def main(path):
    with open(path) as file:
        source = file.read()
    expected = None
    for kind in ("bytecode", "native", "viper"):
        per_s, wire = frames_in_a_second(loops(source, kind)["frame_into"])
        expected = expected or wire
        print(kind, per_s, "same" if wire == expected else "DIFFERENT")


main(sys.argv[1])
