"""What each converter's chain sustains: device script under MicroPython, a pty, decoding on the host.

Run it by hand: ``python tests/benchmarks/sustained.py``; name scenarios to try others. Each is streamed for a
while at its converter's fastest rate, with time on the board running as fast as it can. Printed are the
samples that arrived decoded per second of wall time, the rate of the chip, and the ratio of both: the margin.
It is that of this machine, on which board and host share the processors; a real board has one of its own, and
its own limits.
"""

from __future__ import annotations

import argparse
import os
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import serial

from anviltrace.link.events import Blocks
from anviltrace.link.port import open_port
from anviltrace.link.session import Session

SCENARIOS = (
    "deadweight-hx711",
    "deadweight-nau7802",
    "fishplate-ads1220",
    "fishplate-held",
    "fishplate-fast",
    "fishplate-ownadc",
)
SIGNAL_S = {"deadweight-hx711": 600.0, "deadweight-nau7802": 300.0}
USUAL_SIGNAL_S = 60.0


@contextmanager
def through_pty(name: str) -> Iterator[serial.Serial]:
    """The virtual board at the far end of a pseudo-terminal, opened as a serial port."""
    board, (master, slave) = open_port(f"virtual://{name}?seed=1"), os.openpty()
    tty.setraw(slave)
    workers = [threading.Thread(target=copy, args=(board, master), daemon=True) for copy in (_up, _down)]
    for worker in workers:
        worker.start()
    port = serial.Serial(os.ttyname(slave), timeout=0)
    try:
        yield port
    finally:
        port.close()
        board.close()
        os.close(slave)
        for worker in workers:
            worker.join(2.0)
        os.close(master)


def _up(board: Any, master: int) -> None:
    """From the board to the host; a full terminal holds the board up."""
    board.timeout = 0.05
    with suppress(OSError):  # pyserial's errors too: the board ended
        while board.is_open:
            data = board.read(max(1, min(4096, board.in_waiting)))
            while data:
                data = data[os.write(master, data) :]


def _down(board: Any, master: int) -> None:
    """From the host to the board, until the terminal is closed."""
    with suppress(OSError):
        while data := os.read(master, 4096):
            board.write(data)


def sustained(name: str) -> tuple[str, float, float, float]:
    """Converter, its rate, samples decoded per second of wall time, and the share that was lost."""
    with through_pty(name) as port, Session(port) as session:
        rate_hz = max(rate.rate_hz for rate in session.identity.rates)
        settings = session.configure(rate_hz)
        wanted = round(SIGNAL_S.get(name, USUAL_SIGNAL_S) * settings.rate_hz)
        begun = time.perf_counter()
        session.start(1)
        taken = 0
        while taken < wanted:
            taken += _samples(session.poll(0.5))
        wall_s = time.perf_counter() - begun
        totals, counted = session.stop(), taken
        while events := session.poll(0.2):
            taken += _samples(events)
        missing = (totals.next_index - taken) / totals.next_index
        return session.identity.converter, settings.rate_hz, counted / wall_s, missing


def _samples(events: list[Any]) -> int:
    return sum(len(event.samples) for event in events if isinstance(event, Blocks))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("scenarios", nargs="*", default=SCENARIOS)
    print(
        f"{'scenario':20s} {'converter':10s} {'chip':>10s} {'sustained':>12s} {'margin':>7s} {'missing':>8s}"
    )
    for name in parser.parse_args().scenarios:
        converter, rate_hz, per_s, missing = sustained(name)
        print(
            f"{name:20s} {converter:10s} {rate_hz:6.0f} S/s {per_s:8.0f} S/s {per_s / rate_hz:6.1f}x "
            f"{100.0 * missing:6.2f} %"
        )


if __name__ == "__main__":
    main()
