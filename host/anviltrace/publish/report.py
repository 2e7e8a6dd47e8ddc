"""A report as a folder: the page, the static picture in two formats, the tables."""

from __future__ import annotations

from pathlib import Path

from anviltrace.publish.charts import as_bytes, overlay
from anviltrace.publish.folder import write_files
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
        "metrics.csv": metrics_csv(material.results, material.shower).encode("utf-8"),
    }
    return write_files(folder, contents)
