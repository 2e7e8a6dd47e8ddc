"""Somebody stands up for a calibration as it is stated now; a later change of its data shows."""

from __future__ import annotations

from anviltrace.archive.archive import Archive
from anviltrace.errors import CalibrationError
from anviltrace.publish.document import Document, collect_document
from anviltrace.publish.documentdata import fingerprint
from anviltrace.records import Authorisation, new_id, now_utc, readable_time


def authorise(archive: Archive, beginning: str, by: str, note: str = "") -> Authorisation:
    """Keep who stands up for the calibration whose id begins with ``beginning``, and the hash of its data.

    Raises CalibrationError when its recordings do not bear it out or it gives no line, and what
    :func:`collect_document` raises.
    """
    document = collect_document(archive, beginning)
    if found := document.disagreements():
        raise CalibrationError(f"not authorised: its recordings do not bear it out: {found[0]}")
    made = Authorisation(
        new_id(), document.made.calibration.id, now_utc(), by.strip(), fingerprint(document), note
    )
    archive.put(made)
    return made


def still_holds(document: Document, made: Authorisation) -> bool:
    """Whether the data are those that were authorised."""
    return made.data_hash == fingerprint(document)


def authorised(document: Document) -> str:
    """Who authorised it and when, the latest first, and whether that still stands; empty: nobody."""
    return "; ".join(_said(document, one) for one in reversed(document.authorisations))


def _said(document: Document, made: Authorisation) -> str:
    note = f" ({made.note})" if made.note else ""
    stands = "the data are what was authorised" if still_holds(document, made) else "CHANGED SINCE"
    return f"{made.by}, {readable_time(made.at)} UTC{note}: {stands}"
