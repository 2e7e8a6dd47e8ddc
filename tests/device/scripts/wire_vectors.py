# Runs under CPython and MicroPython: prints what the wire package makes of each vector, one line each.
# Lines: kind, name, input (as in fixtures/wire/vectors.csv), result.
import sys
from binascii import hexlify, unhexlify

from anvilwire import frame, stuffing


def text(data):
    return hexlify(data).decode()


def outcome(kind, data):
    if kind == "cobs":
        stuffed = stuffing.stuff(data)
        back = stuffing.unstuff(stuffed)
        return text(stuffed) if back == data else "does not come back"
    if kind == "cobs-bad":
        try:
            stuffing.unstuff(data)
        except stuffing.StuffingError:
            return "refused"
        return "accepted"
    return "%08x" % frame.crc32(data)


with open(sys.argv[1]) as vectors:
    vectors.readline()
    for line in vectors:
        kind, rest = line.split(",", 1)
        wanted = kind in ("cobs", "cobs-bad") or (kind == "crc" and "ISO-HDLC" in rest)
        if wanted:
            name, data = rest.split(",")[:2]
            print("%s,%s,%s" % (kind, name, outcome(kind, unhexlify(data))))
