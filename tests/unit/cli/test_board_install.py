"""``anviltrace board install`` as a person runs it, with mpremote itself as the client."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from promptboard import PromptBoard

from anviltrace.cli import main as main_module
from anviltrace.cli.main import cli
from anviltrace.errors import InstallError, PlanError
from anviltrace.firmware import device_folder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

SETTINGS = str(device_folder() / "settings.py")


def test_a_board_that_runs_the_script_gets_the_new_one_and_restarts(tmp_path: Path) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    pytest.importorskip("mpremote", reason="mpremote is not installed: pip install anviltrace[board]")
    with PromptBoard(tmp_path / "board", running=True) as board:
        result = CliRunner().invoke(cli, ["board", "install", SETTINGS, "--port", board.url])
        for _ in range(100):
            if board.resets:
                break
            board._stopping.wait(0.05)
        files = board.files()
    assert result.exit_code == 0, result.exception
    assert "every hash agrees" in result.stdout
    assert "anviltrace board identify --port" in result.stdout
    assert "MicroPython 1." in result.stderr
    assert {"main.py", "settings.py"} <= files
    assert board.resets == 1


def test_without_micropython_it_says_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def silent(port: str, **how: object) -> None:  # noqa: ARG001
        raise InstallError(f"on {port} nothing answers")

    monkeypatch.setattr("anviltrace.install.remote.importlib.util.find_spec", lambda name: name)
    monkeypatch.setattr("anviltrace.install.prompt.reach_prompt", silent)
    monkeypatch.setattr(sys, "argv", ["anviltrace", "board", "install", SETTINGS, "--port", "/dev/x"])
    with pytest.raises(SystemExit) as caught:
        main_module.main()
    assert caught.value.code == 4
    told = capsys.readouterr().err
    assert "hold the board's BOOTSEL button" in told
    assert told.endswith("error: on /dev/x nothing answers\n")


def test_mpremote_lacks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anviltrace.install.remote.importlib.util.find_spec", lambda name: None)  # noqa: ARG005
    result = CliRunner().invoke(cli, ["board", "install", SETTINGS, "--port", "/dev/x"])
    assert "pip install 'anviltrace[board]'" in str(result.exception)


def test_settings_first(tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["board", "install", str(tmp_path), "--port", "/dev/x"])
    assert isinstance(result.exception, PlanError)
    assert "write one with anviltrace board setup" in str(result.exception)


def test_nothing_is_installed_on_the_virtual_rig() -> None:
    result = CliRunner().invoke(cli, ["board", "install", SETTINGS, "--port", "virtual://fishplate-held"])
    assert result.exit_code == 2
    assert "name the port of a real board" in result.stderr
