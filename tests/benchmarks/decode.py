"""Decoding a recorded stream, against the barest loop that could do it. Prints ratios of one run.

The stream is made of 256-sample 24-bit blocks, as the board sends them: half-sine blows with noise, and a
heartbeat every half second. The bare loop splits, unstuffs with PyPI cobs, checks the CRC, and joins and
converts once at the end; it looks at no header, no sequence and no block number.

Run: python tests/benchmarks/decode.py [seconds of signal]
"""

from __future__ import annotations

import statistics
import sys
import time
import zlib
from collections.abc import Callable

import numpy as np
from cobs import cobs

from anviltrace.link.stream import CRC_RESIDUE, decode_capture
from anvilwire import frame, messages

RATE_HZ = 30_000
BLOCK = 256
REPEATS = 15
BARE_HEAD = frame.HEADER_SIZE + messages.BLOCK_HEADER_SIZE


def signal_counts(seconds: float) -> np.ndarray:
    """Blows of 1.5 ms, 40 a second, over white noise of 300 counts rms."""
    rng = np.random.default_rng(1)
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    phase = np.mod(time_s, 0.025) / 0.0015
    blows = np.where(phase < 1, 2_000_000 * np.sin(np.pi * phase), 0)
    return (blows + rng.normal(0, 300, len(time_s))).astype(np.int32)


def recorded_stream(counts: np.ndarray) -> bytes:
    """The bytes a board would have sent for ``counts``."""
    parts = []
    for number in range(len(counts) // BLOCK):
        first = number * BLOCK
        samples = counts[first : first + BLOCK].astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        tick = first * 1_000_000 // RATE_HZ
        header = messages.pack(
            messages.BLOCK,
            run_id=7,
            number=number,
            first_index=first,
            tick_first=tick & 0x3FFFFFFF,
            tick_last=(tick + 8500) & 0x3FFFFFFF,
            count=BLOCK,
            sample_bytes=3,
            channels=1,
            flags=0,
            lost=0,
            settings_id=99,
        )
        parts.append(frame.build(messages.BLOCK, len(parts), header + samples))
        if number % 58 == 57:
            parts.append(frame.build(messages.BOARD_ALIVE, len(parts), bytes(17)))
    return b"".join(parts)


def bare_loop(data: bytes) -> np.ndarray:
    """Split, unstuff, CRC; one join and one frombuffer. The result is still packed in three bytes."""
    parts = []
    for segment in data.split(b"\0"):
        if segment:
            raw = cobs.decode(segment)
            if zlib.crc32(raw) == CRC_RESIDUE:
                parts.append(raw[BARE_HEAD:-4])
    return np.frombuffer(b"".join(parts), np.uint8)


def seconds_taken(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main() -> None:
    counts = signal_counts(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
    data = recorded_stream(counts)
    whole = counts[: len(counts) // BLOCK * BLOCK]
    cases = {
        "bare loop": lambda: bare_loop(data),
        "decode_capture": lambda: decode_capture(data, extension=True),
        "decode_capture, numpy only": lambda: decode_capture(data, extension=False),
    }
    for extension in (True, False):
        np.testing.assert_array_equal(decode_capture(data, extension=extension).samples, whole)
    times: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(REPEATS):
        for name, work in cases.items():
            times[name].append(seconds_taken(work))
    bare = statistics.median(times["bare loop"])
    print(f"{len(data) / 1e6:.1f} MB, {len(whole)} samples, {REPEATS} interleaved repeats")
    for name, taken in times.items():
        median = statistics.median(taken)
        print(f"{name:28s} {len(data) / median / 1e6:7.0f} MB/s   ratio to bare loop {bare / median:5.2f}")


if __name__ == "__main__":
    main()
