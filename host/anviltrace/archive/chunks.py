"""Chunks of samples in their table."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from anviltrace.archive import codec
from anviltrace.archive.codec import Counts
from anviltrace.errors import DamageError

Piece = tuple[int, Counts]
"""Index of the first sample, and the samples (int32, shape (n,)) that follow without a gap."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One row: ``count`` samples from ``first_index``, packed. ``owner`` is the run, or the side channel."""

    owner: str
    first_index: int
    count: int
    codec: int
    crc32: int
    data: bytes

    @property
    def end_index(self) -> int:
        """Index after the last sample."""
        return self.first_index + self.count

    @property
    def where(self) -> str:
        """The samples it holds, for messages."""
        return f"samples {self.first_index} to {self.end_index - 1}"

    def counts(self) -> Counts:
        """The samples (int32, shape (count,)).

        Raises:
            DamageError: the bytes do not agree with their checksum, or do not unpack.
        """
        try:
            return self._decoded()
        except codec.CodecError as error:
            raise DamageError(
                f"{self.owner}, {self.where}: {error}; the other chunks can still be read, "
                "take this one from a hand-over copy"
            ) from error

    def _decoded(self) -> Counts:
        found = codec.checksum(self.data)
        if found != self.crc32:
            raise codec.CodecError(f"stored bytes have CRC-32 {found:08x}, {self.crc32:08x} was written")
        return codec.decode(self.data, self.count, self.codec)


def write(connection: sqlite3.Connection, run_id: str, first_index: int, counts: Counts) -> None:
    """Add ``counts`` (int32, shape (n,), n > 0) as one row."""
    data = codec.encode(counts)
    connection.execute(
        "INSERT INTO chunk (run_id, first_index, count, codec, crc32, data) VALUES (?, ?, ?, ?, ?, ?)",
        (run_id, first_index, len(counts), codec.CODEC, codec.checksum(data), data),
    )


def read(connection: sqlite3.Connection, run_id: str) -> Iterator[Chunk]:
    """The chunks of a run in index order, one at a time."""
    rows = connection.execute(
        "SELECT 'run ' || run_id, first_index, count, codec, crc32, data FROM chunk WHERE run_id = ?"
        " ORDER BY first_index",
        (run_id,),
    )
    return (Chunk(*row) for row in rows)


def stored_samples(connection: sqlite3.Connection, run_id: str) -> int:
    """How many samples of a run lie in its chunks."""
    row = connection.execute("SELECT coalesce(sum(count), 0) FROM chunk WHERE run_id = ?", (run_id,))
    return int(row.fetchone()[0])


def joined(chunks: Iterable[Chunk]) -> list[Piece]:
    """The samples of chunks in index order as stretches without a gap."""
    stretches: list[tuple[int, list[Counts]]] = []
    end_index = -1
    for chunk in chunks:
        if chunk.first_index != end_index:
            stretches.append((chunk.first_index, []))
        stretches[-1][1].append(chunk.counts())
        end_index = chunk.end_index
    return [(first_index, np.concatenate(parts)) for first_index, parts in stretches]
