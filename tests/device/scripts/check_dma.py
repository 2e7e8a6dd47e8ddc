# The simulated DMA controller (RP2040 data sheet, section 2.5, and MicroPython's rp2.DMA):
# check_dma.py SILICON CHECK.
from array import array

import uctypes
from chip_bench import expect, power_up, run_check

import clock
import dma
import heap

DREQ = 36


class Fifo:
    """A source that has what it was given."""

    address = 0x4004C00C

    def __init__(self, items=()):
        self.items = list(items)
        self.due = []
        dma.connect(DREQ, self)

    def catch_up(self):
        while self.due and self.due[0][0] <= clock.now_ps:
            self.items.append(self.due.pop(0)[1])
            dma.request(DREQ)

    def waiting(self):
        return len(self.items)

    def take(self):
        return self.items.pop(0)


def channel():
    import rp2

    power_up("ads1256")
    return rp2.DMA()


def aligned(size):
    """Memory of ``size`` bytes at a multiple of ``size``."""
    whole = bytearray(2 * size)
    offset = -uctypes.addressof(whole) % size
    return memoryview(whole)[offset : offset + size]


def a_control_word_is_packed_as_the_data_sheet_has_it():
    one = channel()
    expect(one.channel, 0)
    # data sheet, CH0_CTRL_TRIG: IRQ_QUIET 21, TREQ_SEL 20:15, CHAIN_TO 14:11, INCR 5, 4, SIZE 3:2, EN 0
    expect(one.pack_ctrl(), 1 << 21 | 0x3F << 15 | 0b11 << 4 | 0b10 << 2 | 1)
    word = one.pack_ctrl(
        size=1, inc_read=False, ring_size=12, ring_sel=True, chain_to=5, treq_sel=36, irq_quiet=False
    )
    expect(word, 36 << 15 | 5 << 11 | 1 << 10 | 12 << 6 | 1 << 5 | 1 << 2 | 1)
    fields = one.unpack_ctrl(word)
    expect((fields["size"], fields["ring_size"], fields["treq_sel"], fields["busy"]), (1, 12, 36, 0))
    expect(one.pack_ctrl(**fields), word)
    expect(one.pack_ctrl(default=word, enable=False), word - 1)
    said = ""
    try:
        one.pack_ctrl(sizes=1)
    except TypeError as error:
        said = str(error)
    assert "sizes" in said


def memory_to_memory_by_bytes_halves_and_words():
    one = channel()
    source = array("I", [0x03020100, 0x07060504])
    for size in (0, 1, 2):
        target = bytearray(8)
        one.config(read=source, write=target, count=8 >> size, ctrl=one.pack_ctrl(size=size), trigger=True)
        expect(one.active(), False)
        expect(bytes(target), bytes(range(8)))
        expect(one.count, 0)


def a_paced_channel_takes_an_item_at_each_request():
    one = channel()
    fifo = Fifo()
    target = array("H", [0] * 4)
    ctrl = one.pack_ctrl(size=1, inc_read=False, treq_sel=DREQ)
    one.config(read=fifo.address, write=target, count=3, ctrl=ctrl)
    fifo.due = [(clock.now_ps + 1000 * at, 0x10000 + at) for at in (1, 2, 3, 4)]
    clock.now_ps += 2000
    expect((one.active(), one.count, list(target)), (False, 0, [0, 0, 0, 0]))
    one.active(1)
    expect((one.active(), one.count, list(target)), (True, 1, [1, 2, 0, 0]))
    expect(one.write, uctypes.addressof(target) + 4)
    clock.now_ps += 2000
    expect((one.active(), one.count, list(target)), (False, 0, [1, 2, 3, 0]))
    expect(fifo.items, [0x10004])


def two_channels_chained_fill_an_aligned_ring_for_ever():
    import rp2

    one = channel()
    two = rp2.DMA()
    expect(two.channel, 1)
    fifo = Fifo()
    ring = aligned(32)
    for each, other in ((one, two), (two, one)):
        ctrl = each.pack_ctrl(
            inc_read=False, ring_size=5, ring_sel=True, chain_to=other.channel, treq_sel=DREQ
        )
        each.config(read=fifo, write=ring, count=8, ctrl=ctrl)
    one.active(1)
    for number in range(100):
        fifo.items.append(number)
        dma.request(DREQ)
        busy = (one, two)[(number + 1) // 8 % 2]
        expect((busy.active(), busy.count), (True, 8 - (number + 1) % 8))
        expect(ring[4 * (number % 8)], number)
    # paused, it stays busy; aborted, the other is not started
    one.ctrl = one.pack_ctrl(default=one.ctrl, enable=False)
    two.ctrl = two.pack_ctrl(default=two.ctrl, enable=False)
    fifo.items.append(100)
    dma.request(DREQ)
    expect((fifo.items, one.active(), two.active()), ([100], True, False))
    one.active(0)
    expect((one.active(), two.active()), (False, False))


def items_are_written_in_bulk_up_to_the_end_of_the_ring():
    one = channel()
    fifo = Fifo()
    ring = aligned(16)
    ctrl = one.pack_ctrl(inc_read=False, ring_size=4, ring_sel=True, treq_sel=DREQ)
    expect(dma.place(DREQ), None)
    one.config(read=fifo, write=ring, count=6, ctrl=ctrl, trigger=True)
    rooms = []
    while dma.place(DREQ) is one:
        rooms.append((one.at % 16, one.room()))
        one.view[one.at] = len(rooms)
        one.moved(one.room())
    expect(rooms, [(0, 4), (0, 2)])
    expect(ring[0], 2)


def an_interrupt_comes_at_the_end_unless_quiet():
    one = channel()
    calls = []
    one.irq(handler=lambda who: calls.append(who.channel), hard=True)
    source, target = bytearray(4), bytearray(4)
    one.config(read=source, write=target, count=1, ctrl=one.pack_ctrl(), trigger=True)
    expect(calls, [])
    state = clock.mask()
    one.config(read=source, write=target, ctrl=one.pack_ctrl(irq_quiet=False), trigger=True)
    expect(calls, [])
    clock.unmask(state)
    expect(calls, [0])


def a_control_channel_sets_another_going_again():
    # a way to go on for ever without a ring: a second channel writes the first one's count, which starts it
    import rp2

    data = channel()
    control = rp2.DMA()
    fifo = Fifo()
    target = bytearray(8)
    again = array("I", [uctypes.addressof(target) & 0xFFFFFFFF])
    data.config(
        read=fifo,
        write=target,
        count=2,
        ctrl=data.pack_ctrl(inc_read=False, treq_sel=DREQ, chain_to=control.channel),
    )
    control.config(
        read=again,
        write=data.registers[11:],  # AL2_WRITE_ADDR_TRIG
        count=1,
        ctrl=control.pack_ctrl(inc_read=False, inc_write=False),
    )
    data.active(1)
    for number in range(9):
        fifo.items.append(number)
        dma.request(DREQ)
        expect(target[4 * (number % 2)], number)
    expect(data.registers[2], 1)


def all_channels_are_had_and_given_back():
    import rp2

    many = [channel()] + [rp2.DMA() for _ in range(11)]
    refused = False
    try:
        rp2.DMA()
    except OSError:
        refused = True
    assert refused
    many[7].close()
    expect(rp2.DMA().channel, 7)


def looking_allocates_nothing():
    one = channel()
    fifo = Fifo()
    ring = aligned(64)
    ctrl = one.pack_ctrl(inc_read=False, ring_size=6, ring_sel=True, treq_sel=DREQ)
    one.config(read=fifo, write=ring, count=1000, ctrl=ctrl, trigger=True)
    left = 0
    heap.relock(1)
    for _ in range(3):
        left = one.count
        one.active()
    heap.unlock()
    expect(left, 1000)


def unaligned():
    """A ring that does not begin at a multiple of its size damages memory; ends the process."""
    one = channel()
    fifo = Fifo(range(9))
    whole = bytearray(128)
    offset = -uctypes.addressof(whole) % 32 + 4
    ctrl = one.pack_ctrl(inc_read=False, ring_size=5, ring_sel=True, treq_sel=DREQ)
    one.config(read=fifo, write=memoryview(whole)[offset : offset + 32], count=9, ctrl=ctrl, trigger=True)
    print("not noticed")


run_check(globals())
