"""The ring between data-ready and block: what it makes of ticks."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from boardscripts import checks_of


@pytest.mark.parametrize("check", checks_of("drive_readyring.py"))
def test_ring(run_check: Callable[..., str], check: str) -> None:
    run_check("drive_readyring.py", check)
