"""What comes through a link that spoils bytes: a million frames by the codec, ten thousand from the board.

    .venv/bin/python tests/benchmarks/linkfaults.py [codec frames] [board frames]

Bytes are flipped, dropped, inserted and doubled and pieces of 300 cut out, both ways, seeded. The codec study
sends frames of a model of a board. The board study runs the device script under MicroPython at 7.5 kS/s,
once as fast as it goes and then in step with the wall, where the reader stalls for 1.2 s at times; the
converter misses data-readies, gets surplus ones, and stray text is printed. Prints a table for each.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from linkfaults import BAD, USUAL, Faults, Figures, narrow_buffers, ramp_board, through_board, through_codec

from anviltrace.link.port import open_port

CODEC_FRAMES, BOARD_FRAMES = 1_000_000, 10_000
A_RUN = 10_000
BOARD = "virtual://fishplate-held"
LINKS = (
    ("board on USB, time jumps", BOARD, USUAL, 0.0),
    ("board on USB, in step with the wall, reader stalls", f"{BOARD}?clock=wall", USUAL, 0.0005),
    ("board on a UART, in step with the wall, bad faults", f"{BOARD}?clock=wall&uart=921600", BAD, 0.0),
)


def codec(frames: int, faults: Faults) -> Figures:
    """Figures of so many frames, in runs of ten thousand on two processes."""
    total = Figures()
    runs = [1000 * run for run in range(max(1, frames // A_RUN))]
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        for figures in pool.map(partial(_one, faults), runs):
            total.add(figures)
    return total


def _one(faults: Faults, seed: int) -> Figures:
    return through_codec(A_RUN, faults, seed)


def board(link: tuple[str, str, Faults, float], frames: int) -> Figures:
    """Figures of one run of the device script, of so many blocks."""
    _, url, faults, stall = link
    with pytest.MonkeyPatch.context() as patch:
        ramp_board(patch)
        narrow_buffers(patch)
        return through_board(open_port(url), frames, 11, faults, stall=stall)


def tell(name: str, figures: Figures, took_s: float) -> None:
    """One row."""
    print(
        f"| {name} | {figures.frames} | {figures.spoiled} | {figures.samples} | {figures.recovered} "
        f"| {figures.in_link_gaps} | {figures.in_converter_gaps} | {figures.wrong} | {figures.unaccounted} "
        f"| {figures.disagreements} | {took_s:.0f} s |",
        flush=True,
    )


def main() -> None:
    """Run both studies."""
    codec_frames = int(sys.argv[1]) if len(sys.argv) > 1 else CODEC_FRAMES
    board_frames = int(sys.argv[2]) if len(sys.argv) > 2 else BOARD_FRAMES
    print("| | frames | faults on the way | samples | blocks recovered | samples in link gaps "
          "| in converter gaps | wrong | unaccounted | readers disagree | took |")  # fmt: skip
    print("|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|")
    for name, faults in (("codec, usual faults", USUAL), ("codec, bad faults", BAD)):
        if codec_frames:
            began_s = time.monotonic()
            tell(name, codec(codec_frames, faults), time.monotonic() - began_s)
    for link in LINKS:
        if board_frames:
            began_s = time.monotonic()
            tell(link[0], board(link, board_frames), time.monotonic() - began_s)


if __name__ == "__main__":
    main()
