"""COBS: whatever goes in comes out, without a zero on the way, and as PyPI's cobs does it."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from anvilwire.stuffing import StuffingError, stuff, stuffed_size, unstuff, unstuff_into

payloads = st.one_of(
    st.binary(max_size=1200),
    st.lists(st.sampled_from([b"\0", b"\1" * 253, b"\2" * 254, b"\3" * 255]), max_size=5).map(b"".join),
)


@given(payloads)
def test_stuffing_is_undone(data: bytes) -> None:
    stuffed = stuff(data)
    assert b"\x00" not in stuffed
    assert len(stuffed) <= stuffed_size(len(data))
    assert unstuff(stuffed) == data


@given(payloads)
def test_agrees_with_the_reference_library(data: bytes) -> None:
    assert stuff(data) == cobs.encode(data)


@given(st.binary(max_size=300))
def test_accepts_and_refuses_what_the_reference_library_does(data: bytes) -> None:
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        with pytest.raises(StuffingError):
            unstuff(data)
    else:
        assert unstuff(data) == expected


@given(payloads)
def test_unstuffs_in_place(data: bytes) -> None:
    buffer = bytearray(stuff(data))
    count = unstuff_into(buffer, 0, len(buffer), buffer)
    assert bytes(buffer[:count]) == data
