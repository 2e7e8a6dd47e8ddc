"""A report as a folder: the page, the static picture in two formats, the tables."""

from __future__ import annotations

from pathlib import Path

from anviltrace.errors import AnalysisError
from anviltrace.publish.charts import as_bytes, overlay
from anviltrace.publish.material import Material
from anviltrace.publish.page import render
from anviltrace.publish.tables import metrics_csv, runs_csv

PAGE = "report.html"


def write_report(material: Material, folder: Path) -> list[Path]:
    """Write report.html, overlay.png, overlay.svg, runs.csv and metrics.csv into ``folder``, made if need be.

    Files of these names are replaced, each as a whole; nothing else is touched. Returns what was written.

    Raises:
        AnalysisError: the folder cannot be written to.
    """
    picture = overlay(material)
    contents = {
        PAGE: render(material).encode("utf-8"),
        "overlay.png": as_bytes(picture, "png"),
        "overlay.svg": as_bytes(picture, "svg"),
        "runs.csv": runs_csv(material).encode("utf-8"),
        "metrics.csv": metrics_csv(material).encode("utf-8"),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_write(folder / name, content) for name, content in contents.items()]
    except OSError as error:
        raise AnalysisError(f"{error.filename or folder}: {error.strerror}; choose another folder") from error


def _write(path: Path, content: bytes) -> Path:
    """Write beside the file and rename, so that a broken-off report leaves no half file."""
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)
    return path
