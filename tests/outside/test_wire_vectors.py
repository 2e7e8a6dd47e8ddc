"""The wire codec against published vectors, under both interpreters.

Sources are in the last column of fixtures/wire/vectors.csv: the COBS paper (Cheshire and Baker 1999), the
well-known table of COBS examples, the catalogue check value of CRC-32/ISO-HDLC.
"""

from __future__ import annotations

from pathlib import Path


def _expected(rows: list[dict[str, str]]) -> list[str]:
    lines = []
    for row in rows:
        if row["kind"] == "cobs" or (row["kind"] == "crc" and "ISO-HDLC" in row["name"]):
            lines.append(f"{row['kind']},{row['name']},{row['output']}")
        elif row["kind"] == "cobs-bad":
            verdict = "refused" if row["output"].startswith("DecodeError") else "accepted"
            lines.append(f"{row['kind']},{row['name']},{verdict}")
    return lines


def test_codec_reproduces_the_published_vectors(
    root: Path, run_script, interpreter: str, wire_vectors: list[dict[str, str]]
) -> None:
    printed = run_script(
        interpreter,
        root / "tests" / "device" / "scripts" / "wire_vectors.py",
        str(root / "fixtures" / "wire" / "vectors.csv"),
        folders=[root / "protocol"],
    )
    expected = _expected(wire_vectors)
    assert len(expected) == 17
    assert printed.split("\n")[:-1] == expected


def test_crc_is_the_one_of_the_catalogue() -> None:
    # CRC-32/ISO-HDLC, check value for "123456789" in the RevEng catalogue (from memory)
    from anvilwire.frame import crc32

    assert crc32(b"123456789") == 0xCBF43926
