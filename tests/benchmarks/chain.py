"""The whole chain: device script under MicroPython, pipe, link, recorder, archive.

Records one run of 120 s of signal at 7.5 kS/s of a hammering wrench and prints how long it took by the
wall, and the ratio of signal time to wall time. Target: under 15 s of wall time on two cores.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from anviltrace.archive.archive import Archive
from anviltrace.capture.plan import read_plan
from anviltrace.capture.recorder import Progress, Recorder
from anviltrace.cli.hands import OperatorHand
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.records import Board, Rig, RigKind, Session, Supply, Tool, new_id, now_utc

SIGNAL_S = 120.0
TARGET_S = 15.0
PLAN = f"""
name = "long"
rotation = "cw"
thread = "right"
duty = "tightening"
start = "slack"
drive_s = {SIGNAL_S - 4.0}
"""


def _watch(progress: Progress) -> None:
    """Nobody looks."""


def _session(archive: Archive, link: Link) -> Session:
    rig = Rig(new_id(), "bench", RigKind.HELD)
    board = Board(new_id(), link.identity.unique_id, "virtual", "0", 1, link.identity.converter, 24)
    session = Session(new_id(), rig.id, board.id, now_utc())
    for record in (rig, board, session):
        archive.put(record)
    return session


def main() -> None:
    """Record the run and print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        plan_file = Path(folder) / "plan.toml"
        plan_file.write_text(PLAN, encoding="utf-8")
        plan = read_plan(plan_file)
        tool, supply = Tool(new_id(), "Ostrelby"), Supply(new_id(), "mains adapter", "mains adapter")
        port = open_port("virtual://fishplate-held?seed=1")
        with Archive.open(Path(folder) / "a.anviltrace", create=True) as archive, Link(port) as link:
            settings = link.configure(7500.0, 64)
            session = _session(archive, link)
            for record in (settings, plan, tool, supply):
                archive.put(record)
            hand = OperatorHand(port.operator)
            hand.seat(tool, supply)
            recorder = Recorder(link, archive, settings, session.id, _watch)
            began = time.perf_counter()
            run = recorder.measure(plan, hand, tool_id=tool.id, supply_id=supply.id)
            wall_s = time.perf_counter() - began
            gaps = len(archive.gaps(run.id))
    signal_s = run.samples / 7500.0
    print(f"{run.samples} samples, {signal_s:.1f} s of signal in {wall_s:.2f} s of wall time, {gaps} gaps")
    per_120_s = wall_s * SIGNAL_S / signal_s
    print(
        f"signal/wall ratio {signal_s / wall_s:.1f}; for 120 s: {per_120_s:.2f} s (target < {TARGET_S:g} s)"
    )


if __name__ == "__main__":
    main()
