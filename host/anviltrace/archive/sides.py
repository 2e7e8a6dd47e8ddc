"""Side channels in their tables: written as they come or in one go, sealed, read as stretches without a gap.

Their chunks are packed like those of a run. Where samples are missing no chunk lies; the seal counts such a
hole as a gap, so a chunk that is lost later does not pass for one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from anviltrace.archive import codec, rows
from anviltrace.archive.chunks import Chunk, Piece
from anviltrace.archive.codec import Counts
from anviltrace.archive.seal import Sealer, seal_of
from anviltrace.errors import DamageError, RecordError
from anviltrace.records import Gap, GapCause, SideChannel

CHUNK_SAMPLES = 8192
"""Of a channel that comes in whole."""
_CLOSED = ("samples", "seal")
_CLOCK = ("rate_hz", "start_s", "start_u_s")
"""What becomes better known while a run is recorded; triggers let nothing else be changed."""


def write_open(
    connection: sqlite3.Connection, channel: SideChannel, pieces: Iterable[Piece], next_index: int | None
) -> int:
    """Add samples to a channel being recorded, within the caller's transaction; the index after the last.

    ``channel`` is as known by now: its rate and start get better with every sample and are written again
    each time. Samples may begin after a hole, never before ``next_index``, which is None for a new channel.

    Raises:
        RecordError: samples do not come after those before.
    """
    if next_index is None:
        rows.insert(connection, replace(channel, samples=0, seal=None))
        next_index = 0
    else:
        rows.update(connection, channel, _CLOCK)
    for first, counts in pieces:
        if first < next_index:
            raise RecordError(
                f"sample {first} of '{channel.quantity}' came again: the next one is {next_index}; "
                "drop what was already taken"
            )
        if len(counts):
            _write(connection, channel.id, first, counts)
        next_index = first + len(counts)
    return next_index


def put_whole(connection: sqlite3.Connection, channel: SideChannel, pieces: Iterable[Piece]) -> SideChannel:
    """Add a channel with all its samples, sealed, within the caller's transaction."""
    rows.insert(connection, replace(channel, samples=0, seal=None))
    for first, counts in pieces:
        for at in range(0, len(counts), CHUNK_SAMPLES):
            _write(connection, channel.id, first + at, counts[at : at + CHUNK_SAMPLES])
    return _close(connection, channel)


def read(connection: sqlite3.Connection, channel_id: str) -> Iterator[Chunk]:
    """The chunks of a channel in index order, one at a time."""
    found = connection.execute(
        "SELECT 'side channel ' || channel_id, first_index, count, codec, crc32, data FROM side_chunk"
        " WHERE channel_id = ? ORDER BY first_index",
        (channel_id,),
    )
    return (Chunk(*row) for row in found)


def close_left_open(connection: sqlite3.Connection, run_id: str) -> None:
    """Seal channels of a run whose recording process is gone, within the caller's transaction."""
    for channel in rows.select(connection, SideChannel, {"run_id": run_id, "seal": None}):
        try:
            _close(connection, channel)
        except DamageError:
            continue  # ``verify`` reports it


def what_is_wrong(connection: sqlite3.Connection, channel: SideChannel) -> list[tuple[str, str]]:
    """What is not as it was recorded, and where; empty where all is."""
    found, sealer, spans = [], Sealer(), []
    for chunk in read(connection, channel.id):
        spans.append((chunk.first_index, chunk.end_index))
        try:
            sealer.add(chunk.counts())
        except DamageError as error:
            found.append((str(error.__cause__), chunk.where))
    samples = sum(end - first for first, end in spans)
    if channel.seal is not None and samples != channel.samples:
        found.append((f"{samples} samples are stored, {channel.samples} were recorded", "whole channel"))
    if channel.seal is not None and not found and sealer.seal(_holes(spans)) != channel.seal:
        found.append(("sha256 of counts and gaps is not that it was sealed with", "whole channel"))
    return found


def _write(connection: sqlite3.Connection, channel_id: str, first_index: int, counts: Counts) -> None:
    data = codec.encode(counts)
    connection.execute(
        "INSERT INTO side_chunk (channel_id, first_index, count, codec, crc32, data)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (channel_id, first_index, len(counts), codec.CODEC, codec.checksum(data), data),
    )


def _close(connection: sqlite3.Connection, channel: SideChannel) -> SideChannel:
    chunks = list(read(connection, channel.id))
    spans = [(chunk.first_index, chunk.end_index) for chunk in chunks]
    seal = seal_of((chunk.counts() for chunk in chunks), _holes(spans))
    closed = replace(channel, samples=sum(end - first for first, end in spans), seal=seal)
    rows.update(connection, closed, _CLOSED)
    return closed


def _holes(spans: Sequence[tuple[int, int]]) -> list[Gap]:
    """What lies between chunks; before the first one is nothing."""
    pairs = pairwise(spans)
    return [Gap("", end, first - end, GapCause.CONVERTER) for (_, end), (first, _) in pairs if first > end]
