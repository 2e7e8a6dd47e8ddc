"""Every message packs and unpacks; SPEC.md and the code say the same."""

from __future__ import annotations

import csv
import json
import re
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anvilwire import frame
from anvilwire import messages as m

LIMITS = {
    "B": st.integers(0, 255),
    "H": st.integers(0, 65535),
    "I": st.integers(0, 2**32 - 1),
    "i": st.integers(-(2**31), 2**31 - 1),
    "q": st.integers(-(2**63), 2**63 - 1),
    "Q": st.integers(0, 2**64 - 1),
    "8s": st.binary(min_size=8, max_size=8),
    "s": st.text(max_size=60),
    "t": st.text(max_size=300),
    "b": st.binary(max_size=255),
}


def _values(fields: m.Fields) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(
        {
            name: st.lists(_values(code), max_size=5) if isinstance(code, tuple) else LIMITS[code]
            for name, code in fields
        }
    )


@pytest.mark.parametrize("kind", sorted(m.FIELDS))
@given(data=st.data())
def test_every_message_comes_back(kind: int, data: st.DataObject) -> None:
    values = data.draw(_values(m.FIELDS[kind]))
    payload = m.pack(kind, **values)
    assert m.unpack(kind, payload) == values
    assert m.unpack(kind, payload + b"later") == values
    if payload:
        with pytest.raises(m.MessageError):
            m.unpack(kind, payload[:-1])


def test_values_that_do_not_fit_are_refused() -> None:
    with pytest.raises(m.MessageError, match="0x04"):
        m.pack(m.STOP, request_id=1, run_id=65536)


def test_text_that_is_not_utf8_is_refused() -> None:
    with pytest.raises(m.MessageError, match="UTF-8"):
        m.unpack(m.ERROR, b"\x01\x02\x00\xff\xfe")


def test_frozen_identity_reads_any_version() -> None:
    payload = bytes([9, 7, 1, 2, 3]) + b"ABCDEFGH" + b"whatever a later version says"
    assert m.unpack_frozen_identity(payload) == {
        "request_id": 9,
        "protocol_version": 7,
        "firmware_major": 1,
        "firmware_minor": 2,
        "firmware_patch": 3,
        "unique_id": b"ABCDEFGH",
    }


def test_block_header_constants() -> None:
    layout = "<" + "".join(code for _, code in m.FIELDS[m.BLOCK])
    assert layout == m.BLOCK_HEADER
    assert struct.calcsize(layout) == m.BLOCK_HEADER_SIZE


def test_side_header_constants() -> None:
    layout = "<" + "".join(code for _, code in m.FIELDS[m.SIDE])
    assert layout == m.SIDE_HEADER
    assert struct.calcsize(layout) == m.SIDE_HEADER_SIZE


def _spelled(fields: m.Fields) -> str:
    return ", ".join(
        f"{name} rows({_spelled(code)})" if isinstance(code, tuple) else f"{name} {code}"
        for name, code in fields
    )


def test_specification_lists_every_message_as_it_is(root: Path) -> None:
    text = (root / "protocol" / "SPEC.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (0x\w\w) \| (\w+ \| .*?) \|$", text, re.MULTILINE))
    assert rows == {
        f"0x{kind:02X}": f"{m.NAMES[kind]} | {_spelled(fields)}" for kind, fields in m.FIELDS.items()
    }


def test_frames_are_those_of_the_vectors(root: Path) -> None:
    """fixtures/wire/messages.csv: laid out by hand from SPEC.md, CRC by zlib, COBS by PyPI cobs 1.2.2."""
    with (root / "fixtures" / "wire" / "messages.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {
        m.NAMES[kind]
        for kind in (m.RESEND, m.BURST, m.RESENDING, m.CAPTURING, m.FINISHED, m.SENSOR_IS, m.SIDE)
    } <= {row["message"] for row in rows}
    for row in rows:
        kind, fields = int(row["kind"]), json.loads(row["fields"])
        assert m.NAMES[kind] == row["message"]
        if "registers" in fields:
            fields["registers"] = bytes.fromhex(fields["registers"])
        wire = frame.build(kind, int(row["sequence"]), m.pack(kind, **fields))
        assert wire.hex() == row["frame"], row["message"]
        (parsed,) = frame.FrameReader().feed(bytes.fromhex(row["frame"]))
        assert m.unpack(kind, parsed.payload) == fields
