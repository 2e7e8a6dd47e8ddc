"""An archive with one workshop in it, and a run recorded into it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from workshop import Workshop, counts_at, workshop

from anviltrace.archive import Archive
from anviltrace.records import Gap, GapCause, Run


@pytest.fixture
def shop() -> Workshop:
    return workshop()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.anviltrace"


@pytest.fixture
def archive(path: Path, shop: Workshop) -> Iterator[Archive]:
    with Archive.open(path, create=True) as archive:
        shop.put_into(archive)
        yield archive


@pytest.fixture
def run(archive: Archive, shop: Workshop) -> Run:
    """A finished run: 1,000 samples, 24 lost on the link, 300 samples."""
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 1000))
    recording.gap(Gap(recording.run.id, 1000, 24, GapCause.LINK))
    recording.append(1024, counts_at(1024, 300))
    return recording.finish(samples_total=1324, end_reason="as planned")
