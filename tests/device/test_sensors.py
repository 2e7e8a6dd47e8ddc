"""Side sensors on simulated chips: registers, times and codes against the data sheets, and faults.

The data sheets are named in the script and were quoted from memory: no copy of them was at hand.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from boardscripts import checks_of


@pytest.mark.parametrize("check", checks_of("drive_sensors.py"))
def test_sensor(run_check: Callable[..., str], check: str) -> None:
    run_check("drive_sensors.py", check)
