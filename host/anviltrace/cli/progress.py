"""A bar on stderr while something is gone through, where stderr is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Advance = Callable[[int, int], None]


@contextmanager
def progress(what: str) -> Iterator[Advance]:
    """Something to call with how much is done and of how much; it shows nothing without a terminal."""
    if not sys.stderr.isatty():
        yield lambda done, total: None  # noqa: ARG005
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what)

        def advance(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield advance
