"""The side sensors of a rig: their samples on the way into messages, in memory set aside at power-up."""

import struct
from time import ticks_diff, ticks_us

from anvilwire import messages as m
from anvilwire.frame import CRC_SIZE, HEADER, HEADER_SIZE, VERSION
from anvilwire.stuffing import stuffed_size
from quick import frame_into
from sensors import SAMPLE_BYTES, SensorError, make

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_BODY = HEADER_SIZE + m.SIDE_HEADER_SIZE
_AGE_US = int(m.SIDE_AGE_S * 1_000_000)
_VALUES = 192  # in a message
_NAME_MOST = 32
_TEXT_MOST = 120
_LATE_MOST = 0x3FFFFFFF


class Side:
    """One sensor, and the message being filled with its samples.

    A sensor calls :meth:`add` for each value of a sample and then :meth:`close_sample`; :meth:`lose` for
    samples it had to leave out. ``send(side)`` is called with a message that is full, old or has to end
    before a loss; the caller seals it and then calls :meth:`advance`.
    """

    def __init__(self, number, entry, send):
        self.number = number
        self.name = str(entry.get("sensor", ""))[:_NAME_MOST]
        self.trouble = ""
        self.registers = b""
        self.running = False
        self._send = send
        self._sensor: "Any" = None
        self.raw = bytearray(_BODY + _VALUES * SAMPLE_BYTES + CRC_SIZE)
        self.wire = bytearray(2 + stuffed_size(len(self.raw)))
        self._channels = 1
        self._entry = entry
        self._tick: "Any" = 0
        self._since: "Any" = 0
        self._at = _BODY
        self._first_index = 0
        self._flags = 0
        self.count = 0
        self._open_run(0)

    def prepare(self):
        """Probe and set up the sensor; what is wrong with it is in ``trouble``."""
        try:
            if self._sensor is None:
                self._sensor = make(self._entry)
                self._channels = len(self._sensor.channels)
            self._sensor.probe()
            self.registers = self._sensor.configure()
            self.trouble = ""
        except (SensorError, ImportError, KeyError, ValueError) as error:
            self.trouble = str(error)[:_TEXT_MOST] or "its entry in SENSORS is not complete"

    def describe(self, request_id):
        """The payload of SENSOR_IS."""
        sensor = self._sensor
        return m.pack(
            m.SENSOR_IS,
            request_id=request_id,
            sensor=self.number,
            ok=0 if self.trouble else 1,
            name=self.name,
            text=self.trouble,
            rate_mhz=0 if sensor is None else sensor.rate_mhz,
            sample_bytes=SAMPLE_BYTES,
            registers=self.registers,
            channels=() if sensor is None else sensor.channels,
        )

    def start(self, run_id, now):
        """Begin a run. Raises SensorError; the side is silent then."""
        self._open_run(run_id)
        if not self.trouble:
            self._sensor.start(now)
            self.running = True

    def collect(self):
        """Take what is ready, send what is due. Raises SensorError, after which the side is silent."""
        self.running = False
        self._sensor.collect(self)
        self.running = True
        if self.count and ticks_diff(ticks_us(), self._since) >= _AGE_US:
            self._send(self)

    def stop(self):
        """Send what is left. Raises SensorError when the sensor has lost its settings."""
        if self.count:
            self._send(self)
        if self.running:
            self.running = False
            self._sensor.stop()

    # what a sensor calls

    def add(self, value):
        """One value of the sample: a signed number of 16 bits."""
        at = self._at
        self.raw[at] = value & 255
        self.raw[at + 1] = (value >> 8) & 255
        self._at = at + SAMPLE_BYTES

    def add_bytes(self, source, first):
        """All values of the sample as they lie in ``source``, least significant byte first."""
        at = self._at
        raw = self.raw
        for i in range(self._channels * SAMPLE_BYTES):
            raw[at + i] = source[first + i]
        self._at = at + self._channels * SAMPLE_BYTES

    def close_sample(self, tick, late_us):
        """The sample was ready at ``tick``, or up to ``late_us`` before."""
        if self.count == 0:
            self._since = tick
        self._tick = tick
        self._late_us = min(late_us, _LATE_MOST)
        self.count += 1
        self.next_index += 1
        if self._at + self._channels * SAMPLE_BYTES > _BODY + _VALUES * SAMPLE_BYTES:
            self._send(self)

    def lose(self, count):
        """Leave out ``count`` samples."""
        if self.count:
            self._send(self)
        self.next_index += count
        self._first_index = self.next_index
        self.lost += count
        self._flags = m.SIDE_AFTER_LOSS

    # what the station calls

    def seal(self, sequence):
        """Turn the message into a frame in ``wire``; return the frame's length."""
        raw = self.raw
        struct.pack_into(HEADER, raw, 0, VERSION, m.SIDE, 0, sequence)
        struct.pack_into(
            m.SIDE_HEADER,
            raw,
            HEADER_SIZE,
            self._run_id,
            self.number,
            self._flags,
            self._first_index,
            self._tick,
            self._late_us,
            self.count,
            SAMPLE_BYTES,
            self._channels,
            self.lost,
        )
        return frame_into(raw, self._at, self.wire)

    def advance(self):
        """Begin the next message."""
        self._first_index = self.next_index
        self._flags = 0
        self.count = 0
        self._at = _BODY

    def _open_run(self, run_id):
        self._run_id = run_id
        self.running = False
        self.next_index = 0
        self.lost = 0
        self._late_us = 0
        self.advance()
