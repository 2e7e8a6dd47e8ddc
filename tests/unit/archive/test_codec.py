"""The chunk codec is exact for any int32, and its bytes are what its description says."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from anviltrace.archive import codec

LOWEST, HIGHEST = -(2**31), 2**31 - 1


@given(arrays.arrays(np.int32, st.integers(0, 300)))
def test_any_counts_come_back(counts):
    packed = codec.encode(counts)
    back = codec.decode(packed, len(counts))
    assert back.dtype == np.int32
    np.testing.assert_array_equal(back, counts)


@pytest.mark.parametrize(
    "counts",
    [[], [0], [LOWEST], [HIGHEST], [LOWEST, HIGHEST, LOWEST], [HIGHEST, LOWEST, 0, -1, HIGHEST]],
    ids=str,
)
def test_extremes_come_back_though_their_steps_wrap(counts):
    back = codec.decode(codec.encode(np.array(counts, np.int32)), len(counts))
    assert back.tolist() == counts


def test_the_bytes_are_those_worked_out_by_hand():
    """0, -1, 1, -2: steps 0, -1, 2, -3; zigzag 0, 1, 4, 5; all lowest bytes first."""
    packed = codec.encode(np.array([0, -1, 1, -2], np.int32))
    assert zlib.decompress(packed) == bytes([0, 1, 4, 5]) + bytes(12)


def test_every_byte_of_a_word_has_its_place():
    """The first step of 0x01020304 is that number; its zigzag is twice it, 0x02040608."""
    assert zlib.decompress(codec.encode(np.array([0x01020304], np.int32))) == bytes([8, 6, 4, 2])


def test_other_layouts_of_the_same_counts_pack_alike():
    counts = np.arange(-50, 50, dtype=np.int32) * 1_000_003
    packed = codec.encode(counts)
    assert codec.encode(counts.astype(">i4")) == packed
    assert codec.encode(np.repeat(counts, 2)[::2]) == packed


def test_a_noisy_quarter_second_packs_to_half():
    """With 300 counts rms of noise the ratio is about 2.3; 2 leaves room for another zlib."""
    counts = np.random.default_rng(1).normal(0, 300, 7500).astype(np.int32)
    assert counts.nbytes / len(codec.encode(counts)) > 2


@pytest.mark.parametrize(
    ("data", "count", "number", "said"),
    [
        (codec.encode(np.arange(4, dtype=np.int32)), 4, 9, "codec 9 is unknown"),
        (b"no zlib at all", 4, 1, "no readable zlib stream"),
        (codec.encode(np.arange(4, dtype=np.int32))[:-3], 4, 1, "no readable zlib stream"),
        (codec.encode(np.arange(4, dtype=np.int32)), 5, 1, "16 bytes unpacked, 20 expected"),
    ],
)
def test_bytes_that_are_no_chunk_are_refused(data, count, number, said):
    with pytest.raises(codec.CodecError, match=said):
        codec.decode(data, count, number)


def test_checksum_is_the_one_of_the_crc_catalogue():
    """CRC-32/ISO-HDLC: check value 0xCBF43926 for the nine digits."""
    assert codec.checksum(b"123456789") == 0xCBF43926
