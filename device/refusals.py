"""Why a request is refused, in a code and in words."""

import struct

from anvilwire import messages as m
from anvilwire.frame import HEADER_SIZE

# shortest payload of each request
_LENGTHS = {
    m.IDENTITY: 1,
    m.CONFIGURE: 7,
    m.START: 5,
    m.STOP: 3,
    m.RESEND: 9,
    m.QUIT: 1,
    m.BURST: 14,
    m.SENSOR: 2,
}

_WORDS = {
    m.UNKNOWN_REQUEST: b"no such request",
    m.MALFORMED: b"request too short",
    m.WRONG_VERSION: b"other protocol version",
    m.BUSY: b"streaming: stop first",
    m.NOT_ON_OFFER: b"rate or gain not on offer",
    m.NOT_CONFIGURED: b"configure first",
    m.OTHER_SETTINGS: b"settings id is not the one in force",
    m.CONVERTER_SILENT: b"converter does not answer",
    m.NOT_SUPPORTED: b"not supported by this firmware",
    m.NO_SUCH_RUN: b"no such run",
    m.NO_SUCH_BURST: b"burst does not fit the memory",
    m.NO_SUCH_SENSOR: b"no such sensor",
}


def flaw(kind, length):
    """The refusal of a request that is unknown or too short, or 0."""
    if kind not in _LENGTHS:
        return m.UNKNOWN_REQUEST
    return m.MALFORMED if length < _LENGTHS[kind] else 0


def load_refusal(box, request_id, kind, code):
    """Put the reply that refuses a request into an outbox."""
    text = _WORDS[code]
    length = len(text)
    box.kind = m.REFUSED
    box.length = 4 + length
    struct.pack_into("<BBBB", box.raw, HEADER_SIZE, request_id, kind, code, length)
    at = HEADER_SIZE + 4
    box.raw[at : at + length] = text
