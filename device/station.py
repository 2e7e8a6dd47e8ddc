"""The board's state machine: idle, streaming the blocks of a run, or capturing a burst."""

import struct
from time import ticks_diff, ticks_us

from anvilwire import messages as m
from anvilwire.frame import HEADER_SIZE, VERSION
from byteport import ESCAPE, HASTY_MS, NOTHING, PATIENT_MS
from converters import ConverterError, on_offer
from heartbeat import Heartbeat
from identity import configured, identified
from machine import idle
from outbox import Outbox, Sender
from refusals import flaw, load_refusal
from runs import Run

_DEADMAN_US = int(m.DEADMAN_S * 1_000_000)


class Station:
    """Answers requests, streams blocks, and stops by itself when the host falls silent.

    ``port`` is a Byteport, ``converter`` follows the contract in ``converters``, ``watchdog`` offers
    ``feed()`` or is None, ``link_bytes_per_s`` is what the link carries, 0 where nobody knows, ``sensors``
    are the entries of the side sensors. Call :meth:`turn` until it returns False.
    """

    def __init__(self, port, converter, board, unique_id, watchdog, link_bytes_per_s=0, sensors=()):
        self._port = port
        self._converter = converter
        self._watchdog = watchdog
        self._sender = Sender(port)
        self._run = Run(port, converter, self._sender)
        self._block = self._run.block
        self._resending = self._run.resending
        self._replies = Outbox()
        self._settings_id = 0
        self._answered_kind = 0
        self._answered_id = 0
        self._heard = ticks_us()
        self._heartbeat = Heartbeat(port, self._run, self._sender, self._heard)
        self._running = True
        found = self._probe()
        self._run.add_sides(sensors)
        self._identity = identified(
            board, unique_id, link_bytes_per_s, converter, found, self._block.slots, len(sensors)
        )

    def turn(self):
        """One pass of the main loop; False once the host has asked for the prompt."""
        if self._watchdog is not None:
            self._watchdog.feed()
        kind = self._port.receive()
        if kind == ESCAPE:
            self._escape()
        elif kind != NOTHING:
            self._answer(kind)
        now = ticks_us()
        if self.is_streaming():
            self._stream(now)
        if self._resending.pending():
            self._resending.turn()
        self._heartbeat.turn(now)
        if self._running and (self.is_streaming() or not self._resending.pending()):
            idle()
        return self._running

    def is_streaming(self):
        """Whether a run goes on."""
        return self._run.state == m.STREAMING

    def report(self, text):
        """Send an ERROR frame; a run in progress ends as an internal error."""
        self._sender.say(m.INTERNAL_ERROR, text)
        if self.is_streaming():
            self._run.finish(m.INTERNAL_ERROR)

    def _stream(self, now):
        if ticks_diff(now, self._heard) > _DEADMAN_US:
            self._run.finish(m.HOST_SILENT)
        else:
            self._run.turn(now)

    # requests

    def _answer(self, kind):
        self._heard = ticks_us()
        if kind == m.HOST_ALIVE:
            return
        port = self._port
        length = port.payload_length()
        if length < 1:
            return
        request_id = port.field_u8(0)
        if kind == self._answered_kind and request_id == self._answered_id:
            self._reply()
            return
        self._answered_kind = kind
        self._answered_id = request_id
        code = self._act(kind, request_id, length)
        if code:
            load_refusal(self._replies, request_id, kind, code)
        self._reply()

    def _act(self, kind, request_id, length):
        """Do what the request asks and load its reply; return a refusal code, or 0."""
        if kind == m.IDENTITY:  # answered whatever version the host speaks
            return self._identify(request_id)
        if self._port.request[0] != VERSION:
            return m.WRONG_VERSION
        code = flaw(kind, length)
        if code:
            return code
        if kind == m.STOP:
            return self._stop(request_id)
        if kind == m.RESEND:
            return self._resend(request_id)
        if self.is_streaming():
            return m.BUSY
        if kind == m.CONFIGURE:
            return self._configure(request_id)
        if kind == m.SENSOR:
            return self._describe_sensor(request_id)
        if kind == m.START:
            return self._start(request_id, m.STARTED)
        if kind == m.BURST:
            return self._start_burst(request_id)
        return self._quit(request_id)

    def _identify(self, request_id):
        self._replies.load(m.IDENTIFIED, self._identity)
        self._replies.raw[HEADER_SIZE] = request_id
        self._replies.raw[HEADER_SIZE + 13] = self._run.state
        return 0

    def _describe_sensor(self, request_id):
        number = self._port.field_u8(1)
        sides = self._run.sides
        if number >= len(sides):
            return m.NO_SUCH_SENSOR
        self._replies.load(m.SENSOR_IS, sides[number].describe(request_id))
        return 0

    def _configure(self, request_id):
        values = m.unpack(m.CONFIGURE, self._payload())
        rate = values["rate_mhz"] or self._converter.default_rate_mhz
        gain = values["gain"] or self._converter.default_gain
        if on_offer(self._converter.rates, rate) is None or on_offer(self._converter.gains, gain) is None:
            return m.NOT_ON_OFFER
        self._settings_id = 0
        try:
            registers = self._converter.configure(rate, gain)
        except ConverterError as error:
            self._sender.say(m.CONVERTER_FAULT, str(error))
            return m.CONVERTER_SILENT
        self._run.prepare_sides()
        payload, self._settings_id = configured(self._converter, request_id, rate, gain, registers)
        self._replies.load(m.CONFIGURED, payload)
        return 0

    def _start_burst(self, request_id):
        port = self._port
        fits = self._run.burst.arm(
            port.field_u8(5),
            port.field_number(6),
            port.field_u16(10),
            port.field_u16(12) or self._block.slots,
            self._block.slots,
        )
        return self._start(request_id, m.CAPTURING) if fits else m.NO_SUCH_BURST

    def _start(self, request_id, reply):
        """Begin a run that streams (``reply`` STARTED) or fills the memory (``reply`` CAPTURING)."""
        settings_id = self._port.field_u16(1)
        if self._settings_id == 0:
            return m.NOT_CONFIGURED
        if settings_id != self._settings_id:
            return m.OTHER_SETTINGS
        try:
            self._run.start(self._port.field_u16(3), settings_id, reply == m.CAPTURING)
        except ConverterError as error:
            self._sender.say(m.CONVERTER_FAULT, str(error))
            return m.CONVERTER_SILENT
        self._heard = ticks_us()
        replies = self._replies
        replies.kind = reply
        replies.length = 9
        struct.pack_into(
            "<BHHI", replies.raw, HEADER_SIZE, request_id, settings_id, self._block.run_id, self._heard
        )
        return 0

    def _stop(self, request_id):
        if not self._run.knows(self._port.field_u16(1)):
            return m.NO_SUCH_RUN
        if self.is_streaming():
            self._run.end(m.ASKED)
        self._run.load_totals(self._replies, request_id)
        return 0

    def _resend(self, request_id):
        """Answer which of the blocks asked for are still there; they follow one by one."""
        port = self._port
        if not self._run.knows(port.field_u16(1)):
            return m.NO_SUCH_RUN
        self._resending.ask(port.field_number(3), port.field_u16(7), self._replies, request_id)
        return 0

    def _quit(self, request_id):
        self._replies.load(m.QUITTING, bytes([request_id]))
        self._running = False
        return 0

    def _escape(self):
        if not self.is_streaming():
            self._running = False

    # helpers

    def _reply(self):
        """Send the reply. A host that does not get it asks again; samples do not wait for it."""
        self._sender.send(self._replies, HASTY_MS if self.is_streaming() else PATIENT_MS)

    def _payload(self):
        port = self._port
        return bytes(port.request[HEADER_SIZE : HEADER_SIZE + port.payload_length()])

    def _probe(self):
        try:
            self._converter.probe()
        except ConverterError as error:
            self._sender.say(m.CONVERTER_FAULT, str(error))
            return False
        return True
