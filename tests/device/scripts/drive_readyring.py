# The ring between data-ready and block, with ticks given by hand: drive_readyring.py SILICON CHECK.
from chip_bench import Block, expect, power_up, run_check


class TakingBlock(Block):
    """A block that takes many samples at once and only counts them."""

    def take(self, _ring, _first, count, _tick_first, _tick_last):
        self.count += count


def ring(steady_most, period_us, numbers):
    """A ring at nominally 2000 S/s that holds the samples of these numbers, ``period_us`` apart."""
    from readyring import ReadyRing

    class Line:
        def irq(self, **_):
            pass

    class Bus:
        def readinto(self, _buffer):
            pass

    power_up("ads1220")
    made = ReadyRing("chip", Bus(), Line(), steady_most)
    made.set_rate(2_000_000)
    made.listen()
    start = made._started
    for at, number in enumerate(numbers):
        made._ticks[at] = (start + round(number * period_us)) & 0x3FFFFFFF
    made._head = len(numbers)
    return made


def emptied(made):
    """Blocks until the ring is empty: (samples, lost before the first of them, doubtful ones)."""
    blocks = []
    closed = True
    while closed:
        block = TakingBlock()
        closed = made.fill(block)
        blocks.append((block.count, block.lost, block.doubted))
    return blocks


def a_loss_is_not_hidden_by_a_clock_that_is_off():
    # at 3 % fast, 33 samples with one missing take as long as 33 nominal periods: the sum tells nothing
    numbers = list(range(20)) + list(range(21, 34))
    expect(emptied(ring(8, 485, numbers)), [(20, 0, 0), (13, 1, 0)])


def no_loss_is_invented_within_six_percent():
    for period_us in (470, 485, 500, 515, 530):
        expect(emptied(ring(8, period_us, range(200))), [(200, 0, 0)])


def a_reading_taken_twice_is_left_out():
    expect(emptied(ring(8, 500, [0, 1, 2, 2.1, 3, 4])), [(5, 0, 1)])


def ticks_may_wrap():
    import clock

    clock.first_tick = (1 << 30) - 5000
    expect(emptied(ring(8, 500, range(50))), [(50, 0, 0)])


run_check(globals())
