"""With a watchdog the way to the prompt leads through a restart, and the restart stays there, once."""

from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.firmware import BoardSettings, lay_out


def test_the_restart_after_leaving_stays_at_the_prompt(
    root: Path, run_script, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    lay_out(tmp_path, BoardSettings(watchdog_ms=8000, boot_wait_s=2))
    monkeypatch.chdir(tmp_path)
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    printed = run_script(
        "micropython",
        root / "tests" / "device" / "scripts" / "stay_at_prompt.py",
        folders=[silicon, tmp_path, tmp_path / "lib"],
    )
    assert printed.splitlines() == [
        "restarted",
        "staying at the prompt; reset the board to start the script",
        "starts the script after 2000 ms",
        "streams",
    ]
    assert not (tmp_path / "stay_at_prompt").exists()
