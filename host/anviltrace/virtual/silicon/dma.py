"""MicroPython's ``rp2.DMA``: channels of the DMA controller as the RP2040 data sheet has them (section 2.5).

A channel that is paced by a data request (``treq_sel``) moves an item whenever the source of that request
has one; a channel that is not moves everything at once. Addresses are those of this process, so ``read`` and
``write`` take a buffer, a register of a channel, or a source; a number only where it lies in one of these.
Wrapping, chaining, pausing by ``enable``, the null trigger and interrupts are as on the real thing. What
would damage memory there, a write outside the buffer it was given (a ring that is not aligned does that),
ends this process.

A source, for instance a FIFO, is anything with

* ``address``: of its register, a number;
* ``catch_up()``: let happen what is due by ``clock.now_ps``; it is called before the script sees a channel;
* ``waiting()``: items to be had now, and ``take()``: the next of them.

:func:`connect` gives it a data request, :func:`request` says that there are items. A source with many items
may write them itself: :func:`place` gives the channel that takes them, its ``room()`` and ``view`` and ``at``
the place, and ``moved(count)`` says how many it wrote.
"""

import uctypes

import clock
import console
import heap

CHANNELS = 12
PERMANENT = 0x3F

_BASE = 0x50000000
_STRIDE = 0x40
_LOW = 0xFFFFFFFF

# name: first bit, width; RP2040 data sheet, register CH0_CTRL_TRIG
_FIELDS = {
    "enable": (0, 1),
    "high_pri": (1, 1),
    "size": (2, 2),
    "inc_read": (4, 1),
    "inc_write": (5, 1),
    "ring_size": (6, 4),
    "ring_sel": (10, 1),
    "chain_to": (11, 4),
    "treq_sel": (15, 6),
    "irq_quiet": (21, 1),
    "bswap": (22, 1),
    "sniff_en": (23, 1),
    "busy": (24, 1),
    "write_err": (29, 1),
    "read_err": (30, 1),
    "ahb_err": (31, 1),
}
_READ_ONLY = ("busy", "ahb_err")
_ENABLE = 1
_BUSY = 1 << 24
_FLAGS = 0xE1000000
_READ, _WRITE, _COUNT, _CTRL = 0, 1, 2, 3
# what each of the 16 registers of a channel is: four aliases, the last of each triggers
_REGISTERS = bytes([0, 1, 2, 3, 3, 0, 1, 2, 3, 2, 0, 1, 3, 1, 2, 0])

_EBUSY = 16

_channels = [None] * CHANNELS
_sources = [None] * PERMANENT
_spans = []  # (address, length in bytes, view) of every buffer a channel was ever given


def connect(number, source):
    """Let ``source`` raise data request ``number``; None disconnects."""
    _sources[number] = source


def place(number):
    """The channel that would take an item for this data request now, or None."""
    for channel in _channels:
        if channel is not None and channel._waits_for(number):
            return channel
    return None


def request(number):
    """Items wait at the source of this data request: move what channels take."""
    source = _sources[number]
    while source.waiting():
        channel = place(number)
        if channel is None:
            return
        channel._move(source.take())


def catch_up():
    """Let every source do what is due."""
    for source in _sources:
        if source is not None:
            source.catch_up()


class Registers:
    """The registers of a channel from ``first`` on, by word."""

    def __init__(self, channel, first=0):
        self._channel = channel
        self._first = first

    @property
    def address(self):
        """Where they lie."""
        return _BASE + self._channel.channel * _STRIDE + 4 * self._first

    def __len__(self):
        return 16 - self._first

    def __getitem__(self, index):
        if isinstance(index, slice):
            return Registers(self._channel, self._first + index.start)
        return self._channel._read_register(self._first + index)

    def __setitem__(self, index, value):
        self._channel._write_register(self._first + index, value)


class DMA:
    """A channel that nobody else uses."""

    def __init__(self):
        for number in range(CHANNELS):
            if _channels[number] is None:
                break
        else:
            raise OSError(_EBUSY)
        _channels[number] = self
        self.channel = number
        self._values = [0, 0, 0, 0]  # read and write address, items left, control
        self._reload = 0
        self._busy = False
        self._handler = None
        self.view = None  # the bytes that write lies in, its offset there
        self.at = 0
        self._treq = PERMANENT
        self._size = 4
        self._control(self.pack_ctrl(enable=False))

    # MicroPython's interface

    def pack_ctrl(self, default=None, **fields):
        """A control register value."""
        if default is None:
            value = 1 | 2 << 2 | 3 << 4 | self.channel << 11 | PERMANENT << 15 | 1 << 21
        else:
            value = default & ~_FLAGS
        for name, wanted in fields.items():
            if name not in _FIELDS:
                raise TypeError("unexpected keyword argument '%s'" % name)
            if name in _READ_ONLY:
                continue
            at, width = _FIELDS[name]
            mask = (1 << width) - 1
            value = value & ~(mask << at) | (int(wanted) & mask) << at
        return value

    @staticmethod
    def unpack_ctrl(value):
        """The fields of a control register value."""
        return {name: value >> at & (1 << width) - 1 for name, (at, width) in _FIELDS.items()}

    def config(self, *, read=None, write=None, count=None, ctrl=None, trigger=False):
        """Set registers, and start."""
        catch_up()
        if read is not None:
            self._point(_READ, read)
        if write is not None:
            self._point(_WRITE, write)
        if count is not None:
            self._reload = count
        if ctrl is not None:
            self._control(ctrl)
        if trigger:
            self._start()

    def active(self, value=None):
        """Whether a transfer is going on; start it, or abort it."""
        catch_up()
        if value is not None:
            if value:
                self._start()
            else:
                self._busy = False
        return self._busy

    def irq(self, handler=None, hard=False):
        """Call ``handler(channel)`` at the end of a transfer, if ``irq_quiet`` is off."""
        self._handler = handler
        return self

    def close(self):
        """Let go of the channel."""
        self._busy = False
        self._handler = None
        _channels[self.channel] = None

    @property
    def registers(self):
        """All 16 of them."""
        return Registers(self)

    @property
    def read(self):
        """The address the next item comes from."""
        return self._read_register(_READ)

    @read.setter
    def read(self, value):
        catch_up()
        self._point(_READ, value)

    @property
    def write(self):
        """The address the next item goes to."""
        return self._read_register(_WRITE)

    @write.setter
    def write(self, value):
        catch_up()
        self._point(_WRITE, value)

    @property
    def count(self):
        """Items still to move; written, how many the next start moves."""
        return self._read_register(_COUNT)

    @count.setter
    def count(self, value):
        catch_up()
        self._reload = value

    @property
    def ctrl(self):
        """The control register."""
        return self._read_register(_CTRL)

    @ctrl.setter
    def ctrl(self, value):
        catch_up()
        self._control(value)

    # registers

    def _read_register(self, index):
        catch_up()
        which = _REGISTERS[index]
        return self._values[which] | (_BUSY if which == _CTRL and self._busy else 0)

    def _write_register(self, index, value):
        catch_up()
        which = _REGISTERS[index]
        if which == _COUNT:
            self._reload = value
        elif which == _CTRL:
            self._control(value)
        else:
            self._point(which, value)
        if index & 3 == 3:
            if value:
                self._start()
            else:
                self._interrupt(quiet=1)

    def _control(self, value):
        self._values[_CTRL] = value & ~_FLAGS
        self._treq = value >> 15 & 0x3F
        self._size = 1 << (value >> 2 & 3)
        if self._busy and value & _ENABLE:
            self._run()

    def _point(self, which, target):
        """Aim at a buffer, a source, or an address inside something known."""
        depth = heap.unlock()
        if isinstance(target, int):
            address = target
        elif hasattr(target, "address"):
            address = target.address
        else:
            address = self._span(target)
        self._values[which] = address
        if which == _WRITE:
            self._find_place()
        heap.relock(depth)

    def _span(self, buffer):
        """Note a buffer; its address."""
        address = uctypes.addressof(buffer)
        length = len(bytes(buffer))
        for known, size, _ in _spans:
            if known == address and size == length:
                return address
        _spans.insert(0, (address, length, uctypes.bytearray_at(address, length)))
        return address

    def _find_place(self):
        self.view = None
        found = _lookup(self._values[_WRITE])
        if found:
            address, _, self.view = found
            self.at = (self._values[_WRITE] - address) & _LOW

    # transfers

    def _start(self):
        """A trigger; a channel that is busy, or not enabled, does not mind it."""
        if self._busy or not self._values[_CTRL] & _ENABLE:
            return
        self._values[_COUNT] = self._reload
        self._busy = True
        self._run()

    def _run(self):
        """Move what is there."""
        if self._values[_COUNT] == 0:
            self._finish()
        elif self._treq != PERMANENT:
            if _sources[self._treq] is not None:
                request(self._treq)
        else:
            while self._busy and self._values[_COUNT]:
                self._move(_fetch(self._values[_READ], self._size))

    def _waits_for(self, number):
        return self._busy and self._treq == number and self._values[_CTRL] & _ENABLE

    def _move(self, item):
        """Put one item where it belongs."""
        address = self._values[_WRITE]
        if self.view is None:
            _poke(address, item)
        else:
            self.room()
            at = self.at
            for i in range(self._size):
                self.view[at + i] = item >> 8 * i & 0xFF
        self.moved(1)

    def room(self):
        """How many items may be written one behind the other from ``at`` on."""
        bytes_left = len(self.view) - self.at
        if self.at < 0 or bytes_left < self._size:
            self._astray()
        ctrl = self._values[_CTRL]
        bits = ctrl >> 6 & 15
        if bits and ctrl >> 10 & 1:
            bytes_left = min(bytes_left, (1 << bits) - (self._values[_WRITE] & (1 << bits) - 1))
        if not ctrl >> 5 & 1:
            bytes_left = min(bytes_left, self._size)
        return min(bytes_left // self._size, self._values[_COUNT])

    def moved(self, count):
        """That many items were written at ``at``: ``room()`` of them at most."""
        values = self._values
        values[_READ] = self._next(values[_READ], count, 4, 0)
        address = self._next(values[_WRITE], count, 5, 1)
        self.at += address - values[_WRITE]
        values[_WRITE] = address
        values[_COUNT] -= count
        if values[_COUNT] == 0:
            self._finish()

    def _next(self, address, count, increment, select):
        """The address after ``count`` items."""
        ctrl = self._values[_CTRL]
        if not ctrl >> increment & 1:
            return address
        following = address + count * self._size
        bits = ctrl >> 6 & 15
        if bits and ctrl >> 10 & 1 == select:
            mask = (1 << bits) - 1
            following = address & ~mask | following & mask
        return following

    def _astray(self):
        console.power_off(
            "DMA channel %d writes outside its buffer: memory damaged (a ring must be aligned)" % self.channel
        )

    def _finish(self):
        self._busy = False
        self._interrupt(quiet=0)
        following = self._values[_CTRL] >> 11 & 15
        if following != self.channel and _channels[following] is not None:
            _channels[following]._start()

    def _interrupt(self, quiet):
        if self._handler is not None and self._values[_CTRL] >> 21 & 1 == quiet:
            clock.call(self._handler, self)


def _lookup(address):
    """The buffer that an address lies in, by its low 32 bits; at its end counts where nothing else is."""
    ends = None
    for span in _spans:
        offset = (address - span[0]) & _LOW
        if offset < span[1]:
            return span
        if offset == span[1]:
            ends = span
    return ends


def _fetch(address, size):
    """An item of memory, of a register or of a source."""
    channel = address - _BASE >> 6
    if 0 <= channel < CHANNELS and _channels[channel] is not None:
        return _channels[channel]._read_register(address - _BASE >> 2 & 15)
    for source in _sources:
        if source is not None and source.address == address:
            return source.take()
    found = _lookup(address)
    if not found:
        raise ValueError("not simulated: DMA from address 0x%x" % address)
    at = (address - found[0]) & _LOW
    item = 0
    for i in range(size):
        item |= found[2][at + i] << 8 * i
    return item


def _poke(address, item):
    """Write to a register of a channel."""
    channel = address - _BASE >> 6
    if not 0 <= channel < CHANNELS or _channels[channel] is None:
        raise ValueError("not simulated: DMA to address 0x%x" % address)
    _channels[channel]._write_register(address - _BASE >> 2 & 15, item)
