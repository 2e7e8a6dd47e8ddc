# Checks of virtual time: check_clock.py SILICON CHECK [VECTORS].
import sys

import utime
from chip_bench import power_up, run_check, sleep_ms, sleep_us, ticks_add, ticks_diff, ticks_ms, ticks_us

import clock
from machine import WDT


def expect(found, wanted):
    assert found == wanted, "%r, not %r" % (found, wanted)


def ticks_vectors():
    rows = 0
    with open(sys.argv[3]) as file:
        for line in file:
            kind, _, given, wanted = line.split(",")[:4]
            if kind == "ticks_diff":
                start, end = given.split(";")
                expect(ticks_diff(int(end), int(start)), int(wanted))
                expect(ticks_add(int(start), int(wanted)), int(end))
                rows += 1
    print(rows)


def ticks_wrap():
    power_up("ads1256")
    clock.first_tick = (1 << 30) - 50_000 - clock.now_ps // 1_000_000
    before = ticks_us()
    assert before >= (1 << 30) - 50_000
    sleep_us(60_000)
    after = ticks_us()
    assert after < 500_000
    assert 60_000 <= ticks_diff(after, before) < 500_000


def idle_follows_the_wall():
    power_up("ads1256")
    wall_us, ticks, ticks_of_ms = utime.ticks_us(), ticks_us(), ticks_ms()
    sleep_ms(30)
    passed_us = utime.ticks_us() - wall_us
    assert passed_us >= 30_000
    assert abs(ticks_diff(ticks_us(), ticks) - passed_us) < 2000
    assert abs(ticks_diff(ticks_ms(), ticks_of_ms) - passed_us // 1000) <= 2


def streaming_jumps():
    chip, _ = power_up("ads1256")
    chip._continuous = True
    clock.choose()
    expect(clock.jumping, True)
    wall_us, began_ps = utime.ticks_us(), clock.now_ps
    sleep_ms(900)  # less than the second for which no byte from the host is needed
    assert clock.now_ps - began_ps == 900 * clock.MS
    assert utime.ticks_us() - wall_us < 300_000
    chip._continuous = False
    clock.choose()
    ticks = ticks_us()
    assert ticks_diff(ticks_us(), ticks) < 100_000  # no jump back, none forward


def a_silent_host_is_waited_for():
    chip, _ = power_up("ads1256")
    chip._continuous = True
    waits = []
    clock.console.wait = waits.append
    for _ in range(10):
        sleep_ms(300)
    expect(waits, [2000, 2000])
    for _ in range(10):
        sleep_ms(300)
        clock.heard()
    expect(len(waits), 2)


def watchdog():
    power_up("ads1256")
    dog = WDT(timeout=20)
    for _ in range(4):
        sleep_ms(10)
        dog.feed()
    print("fed")
    sleep_ms(30)
    print("not reset")


run_check(globals())
