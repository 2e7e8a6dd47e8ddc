"""A run: samples from the converter into blocks, and blocks to the host or, of a burst, into memory."""

import struct
from time import ticks_us

from anvilwire import messages as m
from anvilwire.frame import HEADER_SIZE
from blocks import Block
from burst import Burst
from converters import ConverterError
from resending import Resending
from sensors import SensorError
from sides import Side

_BLOCKS_A_TURN = 8  # a link that is too slow must not keep the main loop from its other work
_LAST_INDEX = m.INDEX_LIMIT_SAMPLES - m.BLOCK_SAMPLES


class Run:
    """The run that goes on, or the last one: its blocks, burst and side sensors, and why it ended.

    ``state`` is STREAMING while it goes on, ``reason`` is 0 before the first has ended.
    """

    def __init__(self, port, converter, sender):
        self.block = Block()
        self.burst = Burst()
        self.resending = Resending(self.block, sender)
        self.sides: "tuple[Side, ...]" = ()
        self.state = m.IDLE
        self.reason = 0
        self._unsent = 0
        self._port = port
        self._converter = converter
        self._sender = sender
        self._polled = getattr(converter, "polled", False)

    def add_sides(self, sensors):
        """Set up the side sensors, each with messages of its own."""
        send = self._sender.send_side
        self.sides = tuple([Side(number, entry, send) for number, entry in enumerate(sensors)])
        self.prepare_sides()

    def prepare_sides(self):
        """Probe and set up every side sensor."""
        for side in self.sides:
            side.prepare()

    def start(self, run_id, settings_id, patient):
        """Begin a run, a ``patient`` one to fill the memory. Raises ConverterError."""
        self._converter.start()
        self.resending.forget()
        self.block.patient = patient
        self.block.open_run(run_id, settings_id)
        self._start_sides()
        self.state = m.STREAMING
        self.reason = 0
        self._unsent = 0

    def knows(self, run_id):
        """Whether this is the number of the run that goes on or ended last."""
        if self.reason == 0 and self.state == m.IDLE:
            return False
        return run_id == self.block.run_id

    def turn(self, now):
        """Move samples of every kind, and send what is due."""
        for side in self.sides:
            if side.running:
                self._collect(side)
                if self._polled:
                    self._fill(now)  # which may end the run, and the sides with it
        if self.state == m.STREAMING:
            self._fill(now)

    def finish(self, reason):
        """End the run unasked, and tell."""
        self.end(reason)
        events = self._sender.events
        self.load_totals(events, 0)
        self._sender.send(events)

    def end(self, reason):
        """End the run: what is left goes out."""
        try:
            self._converter.stop()
        except ConverterError as error:
            reason = m.CONVERTER_FAULT
            self._sender.say(m.CONVERTER_FAULT, str(error))
        if self.block.count:
            self._close_block()
        self._stop_sides()
        self.state = m.IDLE
        self.reason = reason

    def load_totals(self, box, request_id):
        """Put what the run came to into an outbox."""
        block = self.block
        box.kind = m.FINISHED
        box.length = 34
        struct.pack_into(
            "<BHBIIIIIHII",
            box.raw,
            HEADER_SIZE,
            request_id,
            block.run_id,
            self.reason,
            block.number,
            block.next_index,
            block.lost,
            block.saturated,
            self._unsent,
            self._port.bad,
            self.burst.first_kept(block) if block.patient else block.oldest(),
            self.burst.trigger if block.patient else m.NO_TRIGGER,
        )

    def _fill(self, now):
        """Move the converter's samples, and send what is due."""
        block = self.block
        try:
            closed = self._converter.fill(block)
            for _ in range(_BLOCKS_A_TURN):
                if not closed and not block.is_due(now):
                    break
                stalled = self._close_block()
                if block.patient and block.number == self.burst.end:
                    self.finish(m.BURST_FULL)
                    return
                if stalled:  # requests come first: the next write may take as long
                    break
                closed = self._converter.fill(block)
        except ConverterError as error:
            self._sender.say(m.CONVERTER_FAULT, str(error))
            self.finish(m.CONVERTER_FAULT)
            return
        if block.next_index > _LAST_INDEX:
            self.finish(m.INDEX_LIMIT)

    def _close_block(self):
        """Keep the block, and send it unless it belongs to a burst; return whether the link was stuck."""
        block = self.block
        if block.patient:
            self.burst.look(block)
            block.advance()
            return False
        block.advance()
        if self._sender.send_block(block, block.number - 1):
            return False
        self._unsent += 1
        return True

    def _start_sides(self):
        for side in self.sides:
            try:
                side.start(self.block.run_id, ticks_us())
            except SensorError as error:
                self._sender.say(m.SENSOR_FAULT, str(error))

    def _collect(self, side):
        try:
            side.collect()
        except SensorError as error:
            self._sender.say(m.SENSOR_FAULT, str(error))

    def _stop_sides(self):
        for side in self.sides:
            try:
                side.stop()
            except SensorError as error:
                self._sender.say(m.SENSOR_FAULT, str(error))
