"""Virtual time, and the converter's data-ready that drives it. Times are picoseconds since power-up.

*Following*: virtual time keeps up with the wall, as on a board that waits for requests. *Jumping*: a chip
converts under a driver that started it; time goes from data-ready to data-ready as fast as the script can
take them. With ``pace = WALL`` it follows always. Following never leaves a data-ready out: when this
process was held up, virtual time lags behind the wall and catches up.

A jump never goes further than a second beyond the last byte from the host without waiting for it (up to
two seconds of wall time), so that a busy machine does not look like a host gone silent.
"""

import micropython
import utime

import console
import heap

JUMP = 0
WALL = 1

US = 1_000_000
MS = 1_000_000_000
FAR = 1 << 61

_IDLE_PS = 2 * MS
_PATIENCE_PS = 1000 * MS
_HOST_WAIT_MS = 2000
_FROZEN_PS = 1000 * MS
_TICK_MASK = 0x3FFFFFFF
_IDLE_WAIT_MS = 5

pace = JUMP
first_tick = 0
now_ps = 0
jumping = False

chip = None  # the converter: see attach()
next_ps = FAR  # its next data-ready
period_ps = FAR  # from one data-ready to the next
ready = 0  # how many data-readies there have been
handler = None  # the script's interrupt handler on the data-ready pin
handler_pin = None
agent = None  # a state machine that runs beside the script: see rp2.py

_wall_us = 0
_offset_ps = 0
_heard_ps = 0
_masks = 0  # disable_irq() not yet undone, handlers running
_pending = False
_waiting = []  # other interrupts held off: (function, argument)
_watchdog_ps = FAR
_watchdog_period_ps = FAR


def attach(converter):
    """Let ``converter`` beat: it sets ``next_ps`` and ``period_ps``, and offers

    ``special``: whether ``passed`` must be asked at each data-ready; ``passed(count)``: that many
    data-readies went by, answer whether the last gives an edge; ``driven()``: whether a driver uses it.
    """
    global chip
    chip = converter


def begin():
    """Power-up: virtual time starts to follow the wall."""
    global _wall_us, _offset_ps
    _wall_us = utime.ticks_us()
    _offset_ps = -_wall_us * US


def listen(function, pin):
    """Call ``function(pin)`` at each falling edge of data-ready; None ends that."""
    global handler, handler_pin, _pending
    handler_pin = pin
    handler = function
    _pending = False
    choose()


@micropython.native
def choose():
    """Decide whether time jumps or follows the wall."""
    global jumping, _offset_ps
    wanted = pace == JUMP and chip is not None and chip.driven()
    if jumping and not wanted:
        _offset_ps = now_ps - utime.ticks_us() * US
    if wanted and not jumping:
        heard()
    jumping = wanted


@micropython.native
def spend(duration_ps):
    """Let something take its time, delivering the interrupts that fall into it."""
    global now_ps
    end_ps = now_ps + duration_ps
    if end_ps >= next_ps:
        run_to(end_ps)
    else:
        now_ps = end_ps


@micropython.native
def run_to(limit_ps):
    """Go to ``limit_ps``; at each data-ready call the interrupt handler, or let a state machine see it."""
    global now_ps, next_ps, ready, _masks, _pending
    while next_ps <= limit_ps:
        if agent is not None:
            if agent.replay(limit_ps):
                continue
            agent.run(next_ps)
        elif handler is None:
            _skip_to(limit_ps)
            break
        if next_ps > now_ps:
            now_ps = next_ps
        next_ps += period_ps
        ready += 1
        if (chip.special or handler is None) and not chip.passed(1):
            continue
        if handler is None:
            continue
        if _masks:
            _pending = True
            continue
        _masks = 1
        handler(handler_pin)
        _masks = 0
        if _pending:
            _pending = False
            interrupt()
    if now_ps < limit_ps:
        now_ps = limit_ps


def _skip_to(limit_ps):
    """Pass data-readies nobody is interrupted by."""
    global next_ps, ready
    while next_ps <= limit_ps:
        count = 1 if chip.special else (limit_ps - next_ps) // period_ps + 1
        next_ps += count * period_ps
        ready += count
        chip.passed(count)


def interrupt():
    """A falling edge of data-ready: call the handler, or remember it until that is allowed."""
    global _masks, _pending
    if _masks:
        _pending = True
        return
    _masks = 1
    _pending = True
    while _pending:
        _pending = False
        handler(handler_pin)
    _masks = 0


def call(function, argument):
    """Another interrupt: call ``function(argument)`` now, or when that is allowed again."""
    global _masks
    if _masks:
        depth = heap.unlock()
        _waiting.append((function, argument))
        heap.relock(depth)
        return
    _masks = 1
    function(argument)
    _masks = 0
    _deliver()


def _deliver():
    """What came while interrupts were held off."""
    global _pending
    while _waiting and not _masks:
        call(*_waiting.pop(0))
    if _pending and not _masks:
        _pending = False
        if handler is not None:
            interrupt()


def mask():
    """Hold interrupts off; return the state :func:`unmask` needs."""
    global _masks
    _masks += 1
    return _masks - 1


def unmask(state):
    """Back to ``state``; an edge that came meanwhile is delivered now, once."""
    global _masks
    _masks = state
    if not state:
        _deliver()


@micropython.native
def ticks_us():
    """Microseconds, wrapping at 2^30 as on the board. Reading them takes one."""
    global now_ps
    if not jumping and not _masks:
        _keep_up()
    ticks = (now_ps // 1_000_000 + first_tick) & 0x3FFFFFFF
    end_ps = now_ps + 1_000_000
    if end_ps >= next_ps:
        run_to(end_ps)
    else:
        now_ps = end_ps
    return ticks


def ticks_ms():
    """Milliseconds, wrapping at 2^30."""
    if not jumping and not _masks:
        _keep_up()
    spend(1_000_000)
    return (now_ps // MS + first_tick // 1000) & _TICK_MASK


@micropython.native
def sleep_ps(duration_ps):
    """``time.sleep`` and its kin."""
    choose()
    if jumping:
        _jump(duration_ps)
    else:
        _follow(duration_ps)
    _look_after_watchdog()


@micropython.native
def idle():
    """``machine.idle``: on a board, wait for an interrupt.

    Jumping, it delivers the data-readies of two milliseconds; a chip that the script polls gets time up to
    its next data-ready. Following it lets this process sleep until a byte comes or a little later.
    """
    choose()
    if jumping:
        if handler is None and agent is None and next_ps - now_ps < _IDLE_PS:
            _jump(max(next_ps - now_ps, US))
        else:
            _jump(_IDLE_PS)
    else:
        console.wait(1 if handler is not None or pace == WALL else _IDLE_WAIT_MS)
        _keep_up()
    _look_after_watchdog()


def heard():
    """A byte came from the host."""
    global _heard_ps
    _heard_ps = now_ps


def watch(period_ps_):
    """Start the watchdog, or feed it."""
    global _watchdog_ps, _watchdog_period_ps
    _watchdog_period_ps = period_ps_
    _watchdog_ps = now_ps + period_ps_


def feed_watchdog():
    """Put the watchdog off by its period."""
    global _watchdog_ps
    _watchdog_ps = now_ps + _watchdog_period_ps


@micropython.native
def _jump(duration_ps):
    if now_ps - _heard_ps > _PATIENCE_PS:
        console.wait(_HOST_WAIT_MS)
        heard()
    run_to(now_ps + duration_ps)


def _follow(duration_ps):
    end_ps = now_ps + duration_ps
    ahead_us = (end_ps - _wall_ps()) // US
    if ahead_us > 0:
        utime.sleep_us(ahead_us)
    run_to(end_ps)


def _keep_up():
    wall_ps = _wall_ps()
    if wall_ps > now_ps:
        run_to(wall_ps)


def _wall_ps():
    """Where the wall says virtual time should be. A process that was frozen does not make up for it."""
    global _offset_ps
    wall_ps = utime.ticks_us() * US + _offset_ps
    if wall_ps - now_ps > _FROZEN_PS:
        _offset_ps -= wall_ps - now_ps - _FROZEN_PS
        return now_ps + _FROZEN_PS
    return wall_ps


@micropython.native
def _look_after_watchdog():
    if now_ps > _watchdog_ps:
        console.power_off("watchdog reset: not fed for %d ms" % (_watchdog_period_ps // MS))
