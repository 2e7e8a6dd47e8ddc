"""Half an hour of the board's time at 30,000 samples a second: nothing lost, memory flat.

Run it by hand: ``python tests/benchmarks/endurance.py [MINUTES]``. The ADS1256 is read by state machine and
DMA, the device script runs under MicroPython with its heap locked while it streams. Printed every five
minutes: samples, lost ones, memory of the board's process and of this one, and how many times faster than the
wall the board's time went.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from anviltrace.link.events import Blocks, BoardError, Finished
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual.board import BoardProcess

RATE_HZ = 30_000
USUAL_MINUTES = 30
ROW_S = 300
LOCKED = Path(__file__).resolve().parents[1] / "device" / "scripts" / "allocation.py"


def main() -> None:
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else USUAL_MINUTES
    lock_heap()
    print("minutes   samples      lost  board kB  host kB  times the wall")
    port = open_port("virtual://fishplate-fast?seed=1")
    with Session(port) as session:
        session.configure(RATE_HZ)
        session.start(1)
        began_s, samples, lost, rows = time.monotonic(), 0, 0, 0
        while samples < 60 * minutes * RATE_HZ:
            for event in session.poll():
                if isinstance(event, Blocks):
                    samples += len(event.samples)
                    lost = int(event.table["lost"][-1])
                elif isinstance(event, BoardError | Finished):
                    raise SystemExit(f"the run ended: {event}")
            if samples >= (rows + 1) * ROW_S * RATE_HZ or samples >= 60 * minutes * RATE_HZ:
                rows += 1
                signal_s = samples / RATE_HZ
                ratio = signal_s / (time.monotonic() - began_s)
                memory = [resident_kb(number) for number in (port.board._process.pid, "self")]
                print(
                    f"{signal_s / 60:7.1f} {samples:9d} {lost:9d} {memory[0]:9d} {memory[1]:8d} {ratio:8.1f}"
                )
        totals = session.stop()
    print(f"the board says: {totals.next_index} samples, {totals.lost} lost, {totals.unsent_blocks} unsent")


def lock_heap() -> None:
    """Let the virtual board start with the heap locked while it streams."""
    plain = BoardProcess._command

    def command(self: BoardProcess, arguments: list[str]) -> tuple[list[str], dict[str, str]]:
        words, environment = plain(self, arguments)
        return [str(LOCKED) if word.endswith("power_up.py") else word for word in words], environment

    BoardProcess._command = command  # type: ignore[method-assign]


def resident_kb(process: int | str) -> int:
    """Memory a process takes up, on Linux."""
    status = Path(f"/proc/{process}/status").read_text("ascii")
    return int(status.split("VmRSS:")[1].split()[0])


if __name__ == "__main__":
    main()
