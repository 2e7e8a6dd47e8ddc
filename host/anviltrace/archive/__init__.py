"""The archive: one SQLite file that keeps the raw counts of every run, and everything said about them."""

from anviltrace.archive.archive import Archive
from anviltrace.archive.recording import Recording
from anviltrace.archive.verify import Finding

__all__ = ["Archive", "Finding", "Recording"]
