"""A calibration as files: the page and its data."""

from __future__ import annotations

from pathlib import Path

from anviltrace.publish.document import Document
from anviltrace.publish.documentdata import as_json
from anviltrace.publish.documentpage import render
from anviltrace.publish.folder import write_files
from anviltrace.units import TorqueUnit


def write_document(document: Document, folder: Path, unit: TorqueUnit = TorqueUnit.NM) -> list[Path]:
    """Write the page, torques in ``unit``, and the JSON beside it into ``folder``; returns the paths.

    Raises AnalysisError when the folder cannot be written to.
    """
    return write_files(
        folder,
        {
            f"{document.name}.html": render(document, unit).encode("utf-8"),
            f"{document.name}.json": as_json(document).encode("utf-8"),
        },
    )
