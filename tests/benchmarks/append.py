"""Durable append of a quarter of a second at 30,000 samples a second, against a bare append with fsync.

Run as ``python tests/benchmarks/append.py [FOLDER]``; the folder (the temporary one unless given) chooses the
disk. Both are measured in turn in one process; target: the median of 200 is at most 3 times the bare one.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from workshop import workshop

from anviltrace.archive import Archive

RATE_HZ = 30_000.0
CHUNK = 7_500
BLOCK = 256
REPEATS = 200
WARM_UP = 20
TARGET = 3.0


def signal(chunks: int) -> np.ndarray:
    """Half-sine blows of 1.5 ms, 20 a second, on white noise of 300 counts rms; 24 bits full scale."""
    count = chunks * CHUNK
    time_s = np.arange(count) / RATE_HZ
    phase = (time_s % 0.05) / 0.0015
    blows = np.where(phase < 1, 3e6 * np.sin(np.pi * phase), 0.0)
    return (blows + np.random.default_rng(1).normal(0, 300, count)).astype(np.int32)


def append_blocks(recording, first: int, chunk: np.ndarray) -> None:
    """One chunk as it comes over the wire, in blocks of 256 samples."""
    for start in range(0, len(chunk), BLOCK):
        recording.append(first + start, chunk[start : start + BLOCK])
    recording.flush()


def append_bare(handle: int, chunk: np.ndarray) -> None:
    """The same counts, raw, at the end of a file and on the disk."""
    os.write(handle, chunk.tobytes())
    os.fsync(handle)


def measure(folder: Path) -> tuple[list[float], list[float], list[float]]:
    """Times in seconds of archive appends, bare appends, and of the archive's CPU use."""
    chunks = signal(WARM_UP + REPEATS).reshape(-1, CHUNK)
    archived, bare, cpu = [], [], []
    shop = workshop(RATE_HZ)
    handle = os.open(folder / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    with Archive.open(folder / "bench.anviltrace", create=True) as archive:
        shop.put_into(archive)
        with archive.begin(shop.run(100)) as recording:
            for number, chunk in enumerate(chunks):
                busy, begun = time.process_time(), time.perf_counter()
                append_blocks(recording, number * CHUNK, chunk)
                cpu.append(time.process_time() - busy)
                between = time.perf_counter()
                append_bare(handle, chunk)
                archived.append(between - begun)
                bare.append(time.perf_counter() - between)
            recording.finish()
    os.close(handle)
    return archived[WARM_UP:], bare[WARM_UP:], cpu[WARM_UP:]


def in_ms(times_s: list[float]) -> str:
    """Median and longest of times in seconds, for people."""
    return f"median {1e3 * statistics.median(times_s):.3f} ms, longest {1e3 * max(times_s):.2f} ms"


def main() -> None:
    """Print medians, their ratio and the target; exit code 1 when the target is missed."""
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        archived, bare, cpu = measure(Path(folder))
    ratio = statistics.median(archived) / statistics.median(bare)
    load = 100 * statistics.mean(cpu) / (CHUNK / RATE_HZ)
    print(f"archive, {CHUNK} samples in blocks of {BLOCK}: {in_ms(archived)}, CPU {load:.2f} % of a core")
    print(f"bare append with fsync: {in_ms(bare)}")
    print(f"ratio {ratio:.2f}, target at most {TARGET:g}: {'met' if ratio <= TARGET else 'MISSED'}")
    sys.exit(ratio > TARGET)


if __name__ == "__main__":
    main()
