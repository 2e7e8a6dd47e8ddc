"""The board's state machine: idle, streaming the blocks of a run, or capturing a burst."""

import struct
from binascii import crc32
from time import ticks_diff, ticks_us

from anvilwire import messages as m
from anvilwire.frame import HEADER, HEADER_SIZE, MAX_FRAME, MAX_REQUEST, VERSION
from anvilwire.stuffing import stuffed_size
from blocks import CHANNELS, SAMPLE_BYTES, Block
from burst import Burst
from byteport import ESCAPE, HASTY_MS, NOTHING, PATIENT_MS
from converters import ConverterError, on_offer
from machine import idle
from quick import frame_into
from sensors import SensorError
from sides import Side

FIRMWARE = (0, 1, 0)

_ALIVE_US = int(m.BOARD_ALIVE_S * 1_000_000)
_DEADMAN_US = int(m.DEADMAN_S * 1_000_000)
_OUTBOX = 512
_TEXT_MOST = 400
_BLOCKS_A_TURN = 8  # a link that is too slow must not keep the main loop from its other work
_LAST_INDEX = m.INDEX_LIMIT_SAMPLES - m.BLOCK_SAMPLES

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

_REFUSALS = {
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


class Outbox:
    """One frame on its way out, in memory that was set aside at power-up."""

    def __init__(self):
        self.raw = bytearray(_OUTBOX)
        self.wire = bytearray(2 + stuffed_size(_OUTBOX))
        self.kind = 0
        self.length = 0

    def seal(self, sequence):
        """Turn the payload that lies in ``raw`` into a frame in ``wire``; return the frame's length."""
        struct.pack_into(HEADER, self.raw, 0, VERSION, self.kind, 0, sequence)
        return frame_into(self.raw, HEADER_SIZE + self.length, self.wire)

    def load(self, kind, payload):
        """Put a payload that was built elsewhere into the box."""
        self.kind = kind
        self.length = len(payload)
        self.raw[HEADER_SIZE : HEADER_SIZE + self.length] = payload


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
        self._block = Block()
        self._burst = Burst()
        self._replies = Outbox()
        self._events = Outbox()
        self._sequence = 0
        self._state = m.IDLE
        self._settings_id = 0
        self._reason = 0
        self._unsent = 0
        self._again = 0  # blocks asked for once more: the next of them, and where they end
        self._again_end = 0
        self._answered_kind = 0
        self._answered_id = 0
        self._heard = ticks_us()
        self._beaten = self._heard
        self._running = True
        self._polled = getattr(converter, "polled", False)
        self._converter_ok = self._probe()
        send = self._send_side
        self._sides = tuple([Side(number, entry, send) for number, entry in enumerate(sensors)])
        for side in self._sides:
            side.prepare()
        self._identity = self._make_identity(board, unique_id, link_bytes_per_s)

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
        if self._state == m.STREAMING:
            self._stream(now)
        if self._again < self._again_end:
            self._send_again()
        if ticks_diff(now, self._beaten) >= _ALIVE_US:
            self._beat(now)
        if self._running and (self._state == m.STREAMING or self._again >= self._again_end):
            idle()
        return self._running

    def report(self, text):
        """Send an ERROR frame; a run in progress ends as an internal error."""
        self._say(m.INTERNAL_ERROR, text)
        if self._state == m.STREAMING:
            self._finish(m.INTERNAL_ERROR)

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
            self._refuse(request_id, kind, code)
        self._reply()

    def _act(self, kind, request_id, length):
        """Do what the request asks and load its reply; return a refusal code, or 0."""
        if kind == m.IDENTITY:  # answered whatever version the host speaks
            return self._identify(request_id)
        if self._port.request[0] != VERSION:
            return m.WRONG_VERSION
        if kind not in _LENGTHS:
            return m.UNKNOWN_REQUEST
        if length < _LENGTHS[kind]:
            return m.MALFORMED
        if kind == m.STOP:
            return self._stop(request_id)
        if kind == m.RESEND:
            return self._resend(request_id)
        if self._state == m.STREAMING:
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
        self._replies.raw[HEADER_SIZE + 13] = self._state
        return 0

    def _describe_sensor(self, request_id):
        number = self._port.field_u8(1)
        if number >= len(self._sides):
            return m.NO_SUCH_SENSOR
        self._replies.load(m.SENSOR_IS, self._sides[number].describe(request_id))
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
            self._say(m.CONVERTER_FAULT, str(error))
            return m.CONVERTER_SILENT
        for side in self._sides:
            side.prepare()
        self._replies.load(m.CONFIGURED, self._applied(request_id, rate, gain, registers))
        return 0

    def _applied(self, request_id, rate, gain, registers):
        converter = self._converter
        payload = m.pack(
            m.CONFIGURED,
            request_id=request_id,
            settings_id=0,
            rate_mhz=rate,
            gain=gain,
            group_delay_ns=on_offer(converter.rates, rate),
            full_scale_nano=on_offer(converter.gains, gain),
            full_scale_code=converter.full_scale_code,
            code_bits=converter.code_bits,
            sample_bytes=SAMPLE_BYTES,
            channels=CHANNELS,
            registers=registers,
            saturation_low=converter.saturation_low,
            saturation_high=converter.saturation_high,
        )
        self._settings_id = (crc32(payload[3:]) & 0xFFFF) or 1
        return payload[:1] + struct.pack("<H", self._settings_id) + payload[3:]

    def _start_burst(self, request_id):
        port = self._port
        fits = self._burst.arm(
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
            self._converter.start()
        except ConverterError as error:
            self._say(m.CONVERTER_FAULT, str(error))
            return m.CONVERTER_SILENT
        self._block.patient = reply == m.CAPTURING
        self._block.open_run(self._port.field_u16(3), settings_id)
        self._again = 0
        self._again_end = 0
        self._start_sides()
        self._state = m.STREAMING
        self._reason = 0
        self._unsent = 0
        self._heard = ticks_us()
        replies = self._replies
        replies.kind = reply
        replies.length = 9
        struct.pack_into(
            "<BHHI", replies.raw, HEADER_SIZE, request_id, settings_id, self._block.run_id, self._heard
        )
        return 0

    def _stop(self, request_id):
        if not self._knows_run():
            return m.NO_SUCH_RUN
        if self._state == m.STREAMING:
            self._end_run(m.ASKED)
        self._load_totals(self._replies, request_id)
        return 0

    def _resend(self, request_id):
        """Answer which of the blocks asked for are still there; they follow one by one."""
        port = self._port
        block = self._block
        if not self._knows_run():
            return m.NO_SUCH_RUN
        asked = port.field_number(3)
        if asked < 0 or asked > block.number:
            asked = block.number
        oldest = block.oldest()
        end = asked + min(port.field_u16(7), block.number - asked)
        self._again = min(max(asked, oldest), end)
        self._again_end = end
        replies = self._replies
        replies.kind = m.RESENDING
        replies.length = 17
        struct.pack_into(
            "<BHIHII",
            replies.raw,
            HEADER_SIZE,
            request_id,
            block.run_id,
            self._again,
            end - self._again,
            oldest,
            block.number,
        )
        return 0

    def _knows_run(self):
        """Whether the request, a STOP or RESEND, is about the last run."""
        if self._reason == 0 and self._state == m.IDLE:
            return False
        return self._port.field_u16(1) == self._block.run_id

    def _quit(self, request_id):
        self._replies.load(m.QUITTING, bytes([request_id]))
        self._running = False
        return 0

    def _escape(self):
        if self._state == m.IDLE:
            self._running = False

    def _refuse(self, request_id, kind, code):
        replies = self._replies
        text = _REFUSALS[code]
        length = len(text)
        replies.kind = m.REFUSED
        replies.length = 4 + length
        struct.pack_into("<BBBB", replies.raw, HEADER_SIZE, request_id, kind, code, length)
        at = HEADER_SIZE + 4
        replies.raw[at : at + length] = text

    # streaming

    def _stream(self, now):
        if ticks_diff(now, self._heard) > _DEADMAN_US:
            self._finish(m.HOST_SILENT)
            return
        for side in self._sides:
            if side.running:
                self._collect(side)
                if self._polled:
                    self._fill(now)  # which may end the run, and the sides with it
        if self._state == m.STREAMING:
            self._fill(now)

    def _fill(self, now):
        """Move the converter's samples, and send what is due."""
        block = self._block
        try:
            closed = self._converter.fill(block)
            for _ in range(_BLOCKS_A_TURN):
                if not closed and not block.is_due(now):
                    break
                stalled = self._close_block()
                if block.patient and block.number == self._burst.end:
                    self._finish(m.BURST_FULL)
                    return
                if stalled:  # requests come first: the next write may take as long
                    break
                closed = self._converter.fill(block)
        except ConverterError as error:
            self._say(m.CONVERTER_FAULT, str(error))
            self._finish(m.CONVERTER_FAULT)
            return
        if block.next_index > _LAST_INDEX:
            self._finish(m.INDEX_LIMIT)

    def _start_sides(self):
        for side in self._sides:
            try:
                side.start(self._block.run_id, ticks_us())
            except SensorError as error:
                self._say(m.SENSOR_FAULT, str(error))

    def _collect(self, side):
        try:
            side.collect()
        except SensorError as error:
            self._say(m.SENSOR_FAULT, str(error))

    def _stop_sides(self):
        for side in self._sides:
            try:
                side.stop()
            except SensorError as error:
                self._say(m.SENSOR_FAULT, str(error))

    def _send_side(self, side):
        self._port.write(side.wire, side.seal(self._sequence), HASTY_MS)
        self._sequence = (self._sequence + 1) & 0xFFFF
        side.advance()

    def _say(self, code, text):
        self._events.load(m.ERROR, m.pack(m.ERROR, code=code, text=text[-_TEXT_MOST:]))
        self._send(self._events)

    def _close_block(self):
        """Keep the block, and send it unless it belongs to a burst; return whether the link was stuck."""
        block = self._block
        if block.patient:
            self._burst.look(block)
            block.advance()
            return False
        block.advance()
        if self._send_kept(block.number - 1):
            return False
        self._unsent += 1
        return True

    def _send_again(self):
        """Send one block more of those asked for, unless the live ones are in a hurry."""
        block = self._block
        if block.count > m.BLOCK_SAMPLES // 2:
            return
        number = max(self._again, block.oldest())  # some may be gone since
        self._again = number + 1
        if number < self._again_end and not self._send_kept(number):
            self._again_end = 0  # the link takes nothing: the host has to ask once more

    def _send_kept(self, number):
        block = self._block
        length = block.seal(number, self._sequence)
        self._sequence = (self._sequence + 1) & 0xFFFF
        return self._port.write(block.wire, length, HASTY_MS)

    def _finish(self, reason):
        """End the run unasked."""
        self._end_run(reason)
        self._load_totals(self._events, 0)
        self._send(self._events)

    def _end_run(self, reason):
        try:
            self._converter.stop()
        except ConverterError as error:
            reason = m.CONVERTER_FAULT
            self._say(m.CONVERTER_FAULT, str(error))
        if self._block.count:
            self._close_block()
        self._stop_sides()
        self._state = m.IDLE
        self._reason = reason

    def _load_totals(self, box, request_id):
        block = self._block
        box.kind = m.FINISHED
        box.length = 34
        struct.pack_into(
            "<BHBIIIIIHII",
            box.raw,
            HEADER_SIZE,
            request_id,
            block.run_id,
            self._reason,
            block.number,
            block.next_index,
            block.lost,
            block.saturated,
            self._unsent,
            self._port.bad,
            self._burst.first_kept(block) if block.patient else block.oldest(),
            self._burst.trigger if block.patient else m.NO_TRIGGER,
        )

    def _beat(self, now):
        self._beaten = now
        block = self._block
        box = self._events
        box.kind = m.BOARD_ALIVE
        box.length = 17
        struct.pack_into(
            "<BHIIIH",
            box.raw,
            HEADER_SIZE,
            self._state,
            block.run_id,
            now,
            block.next_index,
            block.lost,
            self._port.bad,
        )
        self._send(box, HASTY_MS)

    # helpers

    def _reply(self):
        """Send the reply. A host that does not get it asks again; samples do not wait for it."""
        self._send(self._replies, PATIENT_MS if self._state == m.IDLE else HASTY_MS)

    def _send(self, box, patience_ms=PATIENT_MS):
        self._port.write(box.wire, box.seal(self._sequence), patience_ms)
        self._sequence = (self._sequence + 1) & 0xFFFF

    def _payload(self):
        port = self._port
        return bytes(port.request[HEADER_SIZE : HEADER_SIZE + port.payload_length()])

    def _probe(self):
        try:
            self._converter.probe()
        except ConverterError as error:
            self._say(m.CONVERTER_FAULT, str(error))
            return False
        return True

    def _make_identity(self, board, unique_id, link_bytes_per_s):
        converter = self._converter
        return m.pack(
            m.IDENTIFIED,
            request_id=0,
            protocol_version=VERSION,
            firmware_major=FIRMWARE[0],
            firmware_minor=FIRMWARE[1],
            firmware_patch=FIRMWARE[2],
            unique_id=unique_id,
            state=m.IDLE,
            tick_bits=m.TICK_BITS,
            tick_hz=m.TICK_HZ,
            max_frame=MAX_FRAME,
            max_request=MAX_REQUEST,
            block_samples=m.BLOCK_SAMPLES,
            converter_ok=1 if self._converter_ok else 0,
            code_bits=converter.code_bits,
            scale_kind=converter.scale_kind,
            full_scale_code=converter.full_scale_code,
            saturation_low=converter.saturation_low,
            saturation_high=converter.saturation_high,
            excitation_uv=converter.excitation_uv,
            excitation_source=converter.excitation_source,
            board=board,
            converter=converter.name,
            rates=[{"rate_mhz": rate, "group_delay_ns": delay} for rate, delay in converter.rates],
            gains=[{"gain": gain, "full_scale_nano": full_scale} for gain, full_scale in converter.gains],
            window_blocks=self._block.slots - 1,
            burst_samples=self._block.slots * m.BLOCK_SAMPLES,
            link_bytes_per_s=link_bytes_per_s,
            sensors=len(self._sides),
        )
