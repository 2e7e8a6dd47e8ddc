"""The fast decoder finds, keeps and counts what the plain FrameReader does."""

from __future__ import annotations

import random

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.link import unstuffing
from anviltrace.link.stream import Batch, StreamReader, decode_capture
from anvilwire import frame, messages


@pytest.fixture(params=[True, False], ids=["extension", "numpy"])
def extension(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bool:
    """With the C extension of cobs, and without: then numpy decodes however few frames there are."""
    monkeypatch.setattr(unstuffing, "WORTH_NUMPY", 1)
    return bool(request.param)


def block(
    number: int, counts: np.ndarray, first_index: int = 0, width: int = 3, sequence: int = 0, **changes
):
    """The frame of one block of ``counts``."""
    values = {
        "run_id": 7,
        "number": number,
        "first_index": first_index,
        "tick_first": 10,
        "tick_last": 20,
        "count": len(counts),
        "sample_bytes": width,
        "channels": 1,
        "flags": 0,
        "lost": 0,
        "settings_id": 99,
        **changes,
    }
    packed = np.asarray(counts, "<i4").view(np.uint8).reshape(-1, 4)[:, :width].tobytes()
    return frame.build(messages.BLOCK, sequence, messages.pack(messages.BLOCK, **values) + packed)


def alive(sequence: int) -> bytes:
    return frame.build(messages.BOARD_ALIVE, sequence, bytes(17))


def chop(data: bytes, cuts: random.Random) -> list[bytes]:
    """``data`` in pieces of any length."""
    pieces = []
    while data:
        size = cuts.choice((1, 2, 7, 100, 900, 5000))
        pieces.append(data[:size])
        data = data[size:]
    return pieces


def block_bytes(batch: Batch) -> list[tuple[object, ...]]:
    return [tuple(row) for row in batch.blocks.tolist()]


class TestSamples:
    @pytest.mark.parametrize("width", [2, 3, 4])
    def test_every_width_keeps_sign_and_extremes(self, width: int, extension: bool) -> None:
        half = 1 << (8 * width - 1)
        counts = np.array([0, 1, -1, half - 1, -half, 255, 256, -256], np.int64)
        decoded = decode_capture(block(0, counts, width=width), extension)
        np.testing.assert_array_equal(decoded.samples, counts)
        assert decoded.samples.dtype == np.int32

    def test_blocks_of_changing_length_and_width_in_one_read(self, extension: bool) -> None:
        parts = [np.arange(n) - 3 for n in (256, 256, 7, 1, 256, 200)]
        stream = b"".join(
            block(i, part, width=2 if i == 4 else 3, sequence=i) + alive(i) for i, part in enumerate(parts)
        )
        decoded = decode_capture(stream, extension)
        np.testing.assert_array_equal(decoded.samples, np.concatenate(parts))
        assert decoded.blocks["count"].tolist() == [len(part) for part in parts]
        assert [before for before, _ in decoded.frames] == [1, 2, 3, 4, 5, 6]

    def test_an_empty_read(self, extension: bool) -> None:
        batch = StreamReader(extension).feed(b"")
        assert len(batch.blocks) == len(batch.samples) == len(batch.frames) == 0

    def test_header_fields_come_through(self, extension: bool) -> None:
        wire = block(5, np.arange(3), first_index=123456, flags=3, lost=17, tick_last=(1 << 30) - 1)
        row = decode_capture(wire, extension).blocks[0]
        assert (row["number"], row["first_index"], row["flags"], row["lost"]) == (5, 123456, 3, 17)
        assert row["tick_last"] == (1 << 30) - 1

    @pytest.mark.parametrize("changes", [{"count": 99}, {"channels": 2}, {"sample_bytes": 1}])
    def test_a_block_that_contradicts_itself_is_left_out_and_counted(
        self, changes: dict[str, int], extension: bool
    ) -> None:
        stream = block(0, np.arange(9)) + block(1, np.arange(9), **changes) + block(2, np.arange(5))
        decoded = decode_capture(stream, extension)
        assert (len(decoded.blocks), len(decoded.samples), decoded.malformed) == (2, 14, 1)

    def test_a_block_too_short_for_its_header_is_left_out_and_counted(self, extension: bool) -> None:
        decoded = decode_capture(frame.build(messages.BLOCK, 0, b"short"), extension)
        assert (len(decoded.blocks), decoded.malformed) == (0, 1)


class TestWhatIsMissing:
    def test_lost_blocks_and_samples_are_counted(self, extension: bool) -> None:
        stream = block(0, np.arange(10)) + block(3, np.arange(10), first_index=40)
        decoded = decode_capture(stream, extension)
        assert (decoded.lost_blocks, decoded.missing_samples) == (2, 30)

    def test_a_block_of_another_version_is_not_taken_for_ours(self, extension: bool) -> None:
        foreign = frame.build(messages.BLOCK, 0, bytes(40), version=2)
        decoded = decode_capture(foreign, extension)
        assert len(decoded.blocks) == 0
        assert decoded.frames[0][1].version == 2


def a_stream(rng: random.Random) -> bytes:
    """Blocks, other messages, text and garbage, with a few bytes damaged, cut out or put in."""
    parts = []
    for sequence in range(rng.randrange(1, 40)):
        counts = np.array([rng.randrange(-(1 << 23), 1 << 23) for _ in range(rng.choice((1, 60, 256)))])
        parts.append(
            rng.choices(
                (
                    block(sequence, counts, sequence=rng.choice((sequence, sequence, sequence + 65530))),
                    block(sequence, np.zeros(256), sequence=sequence),
                    alive(sequence),
                    frame.build(messages.ERROR, sequence, bytes(rng.randrange(0, 1091))),
                    b"Traceback: something went wrong\r\n",
                    bytes(rng.randrange(256) for _ in range(rng.randrange(1, 60))),
                    bytes([rng.randrange(1, 256)]) * rng.choice((1200, 5000, 9000)),
                ),
                weights=(8, 4, 2, 1, 1, 1, 1),
            )[0]
        )
    data = bytearray(b"".join(parts))
    for _ in range(rng.choice((0, 0, 1, 5))):
        at = rng.randrange(len(data))
        damage = rng.randrange(3)
        if damage == 0:
            data[at] ^= rng.randrange(1, 256)
        elif damage == 1:
            del data[at : at + rng.randrange(1, 400)]
        else:
            data[at:at] = b"\0" * rng.randrange(1, 4)
        if not data:
            return b""
    return bytes(data)


class TestAgainstThePlainReader:
    @settings(max_examples=60, deadline=None)
    @given(seed=st.integers(0, 2**32), with_extension=st.booleans())
    def test_same_frames_texts_and_counts(self, seed: int, with_extension: bool) -> None:
        rng = random.Random(seed)
        data = a_stream(rng)
        plain, fast = frame.FrameReader(), StreamReader(with_extension)
        plain_frames: list[frame.Frame] = []
        blocks, samples, others, texts = [], [np.empty(0, np.int32)], [], []
        before = unstuffing.WORTH_NUMPY
        unstuffing.WORTH_NUMPY = 1
        try:
            for piece in chop(data, rng):
                plain_frames += plain.feed(piece)
                batch = fast.feed(piece)
                blocks += block_bytes(batch)
                samples.append(batch.samples)
                others += [found for _, found in batch.frames]
                texts += batch.notices
            plain.flush()
            texts += fast.flush().notices
        finally:
            unstuffing.WORTH_NUMPY = before
        plain_blocks = [found for found in plain_frames if found.kind == messages.BLOCK]
        assert others == [found for found in plain_frames if found.kind != messages.BLOCK]
        assert texts == plain.take_notices()
        counts = (fast.frames, fast.damaged, fast.dropped_bytes, fast.missed)
        assert counts == (plain.frames, plain.damaged, plain.dropped_bytes, plain.missed)
        expected = [messages.unpack(messages.BLOCK, found.payload) for found in plain_blocks]
        assert blocks == [tuple(fields.values()) for fields in expected]
        packed = b"".join(found.payload[messages.BLOCK_HEADER_SIZE :] for found in plain_blocks)
        octets = np.frombuffer(packed, np.uint8).reshape(-1, 3)
        whole = np.zeros((len(octets), 4), np.uint8)
        whole[:, 1:] = octets
        np.testing.assert_array_equal(np.concatenate(samples), whole.view("<i4")[:, 0] >> 8)

    def test_one_damaged_byte_costs_one_frame(self, extension: bool) -> None:
        frames = [block(i, np.arange(256) + i, sequence=i) for i in range(5)]
        broken = bytearray(frames[2])
        broken[100] ^= 0x55
        frames[2] = bytes(broken)
        decoded = decode_capture(b"".join(frames), extension)
        assert decoded.blocks["number"].tolist() == [0, 1, 3, 4]
        assert (decoded.damaged, decoded.missed) == (1, 1)


class TestUnstuffing:
    @given(
        st.lists(
            st.binary(min_size=1, max_size=700).map(lambda data: data.replace(b"\0", b"\1")),
            min_size=1,
            max_size=20,
        )
    )
    def test_numpy_agrees_with_cobs_on_anything(self, segments: list[bytes]) -> None:
        expected: list[bytes | None] = []
        for segment in segments:
            try:
                expected.append(cobs.decode(segment))
            except cobs.DecodeError:
                expected.append(None)
        assert unstuffing.unstuff_with_numpy(segments) == expected

    @given(st.lists(st.binary(max_size=1100), min_size=1, max_size=20))
    def test_numpy_undoes_cobs(self, data: list[bytes]) -> None:
        assert unstuffing.unstuff_with_numpy([cobs.encode(plain) for plain in data]) == data

    def test_published_vectors_through_numpy(self, wire_vectors: list[dict[str, str]]) -> None:
        rows = [row for row in wire_vectors if row["kind"] == "cobs"]
        stuffed = [bytes.fromhex(row["output"]) for row in rows]
        assert unstuffing.unstuff_with_numpy(stuffed) == [bytes.fromhex(row["input"]) for row in rows]
        assert len(rows) >= 10
