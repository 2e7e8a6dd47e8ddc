"""Frames survive any chopping; damage costs the damaged frame and nothing else."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anvilwire.frame import (
    MAX_FRAME,
    MAX_NOTICE,
    OVERHEAD,
    FrameError,
    FrameReader,
    build,
    is_sealed,
    parse,
    seal_into,
)


def _chopped(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


@given(
    st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=MAX_FRAME - OVERHEAD)), max_size=6),
    st.lists(st.integers(0, 10_000), max_size=20),
)
def test_any_chopping_gives_the_same_frames(messages: list[tuple[int, bytes]], cuts: list[int]) -> None:
    stream = b"".join(build(kind, number, payload) for number, (kind, payload) in enumerate(messages))
    reader = FrameReader()
    frames = [frame for piece in _chopped(stream, cuts) for frame in reader.feed(piece)]
    assert [(frame.kind, frame.payload) for frame in frames] == messages
    assert [frame.sequence for frame in frames] == list(range(len(messages)))
    assert (reader.damaged, reader.missed, reader.notices) == (0, 0, [])


@pytest.mark.parametrize("fault", ["flip", "drop", "insert", "zero"])
def test_one_fault_costs_one_frame(fault: str) -> None:
    # the knowledge behind it: 200 trials of each fault, exactly one frame lost
    rng = random.Random(fault)
    for _ in range(200):
        frames = [build(0x80, n, rng.randbytes(rng.randrange(40, 800))) for n in range(5)]
        damaged = bytearray(frames[2])
        at = rng.randrange(2, len(damaged) - 1)
        if fault == "flip":
            damaged[at] ^= 1 << rng.randrange(8)
        elif fault == "drop":
            del damaged[at]
        elif fault == "insert":
            damaged.insert(at, rng.randrange(1, 256))
        else:
            damaged.insert(at, 0)
        reader = FrameReader()
        got = reader.feed(b"".join([*frames[:2], bytes(damaged), *frames[3:]]))
        assert [frame.sequence for frame in got] == [0, 1, 3, 4]
        assert reader.missed == 1
        assert reader.damaged + len(reader.notices) >= 1


def test_text_between_frames_is_kept_apart() -> None:
    reader = FrameReader()
    text = "MicroPython v1.27\r\nTraceback (most recent call last):\r\n"
    frames = reader.feed(build(1, 0) + text.encode() + build(2, 1))
    assert [frame.kind for frame in frames] == [1, 2]
    assert reader.take_notices() == [text]
    assert reader.take_notices() == []
    assert reader.damaged == 0


def test_a_stream_without_zeros_does_not_grow_the_memory() -> None:
    reader = FrameReader()
    for _ in range(100):
        assert reader.feed(b"\xaa" * 1000) == []
        assert len(reader.pending()) <= MAX_NOTICE + 1000
    assert [frame.kind for frame in reader.feed(build(7, 0))] == [7]
    assert (reader.damaged, reader.dropped_bytes) == (1, 100_000)


def test_flush_keeps_text_and_counts_damage() -> None:
    reader = FrameReader()
    reader.feed(b"last words")
    reader.flush()
    assert reader.take_notices() == ["last words"]
    reader.feed(b"\x05\xff\xff")
    reader.flush()
    assert (reader.damaged, reader.dropped_bytes) == (1, 3)


def test_sequence_steps() -> None:
    reader = FrameReader()
    reader.feed(build(1, 65534) + build(1, 65535) + build(1, 0))
    assert reader.missed == 0
    reader.feed(build(1, 3))
    assert reader.missed == 2
    reader.feed(build(1, 0))  # the board started again
    assert reader.missed == 2


def test_lengths_are_limited() -> None:
    assert len(build(0x80, 0, bytes(MAX_FRAME - OVERHEAD))) > MAX_FRAME
    with pytest.raises(FrameError, match="a frame holds 1091"):
        build(0x80, 0, bytes(MAX_FRAME - OVERHEAD + 1))
    with pytest.raises(FrameError, match="shortest"):
        parse(bytes(OVERHEAD - 1))
    with pytest.raises(FrameError, match="longest"):
        parse(bytes(MAX_FRAME + 1))


@given(st.binary(max_size=100))
def test_seal(data: bytes) -> None:
    buffer = bytearray(data + bytes(4))
    assert seal_into(buffer, len(data)) == len(buffer)
    assert is_sealed(buffer, len(buffer))
    buffer[-1] ^= 1
    assert not is_sealed(buffer, len(buffer))
