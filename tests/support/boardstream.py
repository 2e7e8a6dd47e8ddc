"""What a board sends during a run, gathered from its session."""

from __future__ import annotations

from typing import Any

import numpy as np

from anviltrace.link.events import Blocks, Finished
from anviltrace.link.session import Session


def stream(session: Session, count: int) -> tuple[Any, Any]:
    """Block headers and samples, at least ``count`` of them."""
    tables, parts = [], []
    while sum(map(len, parts)) < count:
        for event in session.poll():
            if isinstance(event, Blocks):
                tables.append(event.table)
                parts.append(event.samples)
    return np.concatenate(tables), np.concatenate(parts)


def until_finished(session: Session) -> tuple[list[Any], Any]:
    """Everything the board says until it ends the run by itself, and the totals."""
    said: list[Any] = []
    while not (ended := [event.totals for event in said if isinstance(event, Finished)]):
        said += session.poll()
    return said, ended[0]
