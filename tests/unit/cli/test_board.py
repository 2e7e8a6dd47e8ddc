"""``anviltrace board identify``, against a stand-in for a board."""

from __future__ import annotations

import json
import os
import sys

import pytest
from click.testing import CliRunner
from standin import Script, StandIn

from anviltrace.cli import main as main_module
from anviltrace.cli.main import cli
from anvilwire import messages

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")


def test_identify_for_a_person() -> None:
    with StandIn() as board:
        result = CliRunner().invoke(cli, ["board", "identify", "--port", board.url])
    assert result.exit_code == 0
    assert "stand-in, number 0001020304050607" in result.stdout
    assert "1000, 7500 S/s" in result.stdout
    assert "1 (±5 V), 64 (±78.125 mV)" in result.stdout


def test_identify_as_json() -> None:
    with StandIn() as board:
        result = CliRunner().invoke(cli, ["board", "identify", "--json", "--port", board.url])
    data = json.loads(result.stdout)
    assert (data["script_version"], data["converter_ok"], data["was_streaming"]) == ("0.9.1", True, False)
    assert data["rates"][1] == {"rate_hz": 7500.0, "group_delay_s": pytest.approx(200e-6)}
    assert data["gains"][0] == {"gain": 1, "full_scale_v": 5.0}


def test_identify_says_what_the_link_carries_and_the_memory_holds() -> None:
    # 1000 S/s take some 4 kB/s and 7500 S/s 24 kB/s
    with StandIn(Script(window=63, link_bytes_per_s=11_520)) as board:
        result = CliRunner().invoke(cli, ["board", "identify", "--port", board.url])
    assert "link         11520 bytes/s; in bursts only: 7500 S/s" in result.stdout
    assert "sends its last 63 blocks again; bursts of up to 16128 samples" in result.stdout


def test_identify_stops_a_run_left_going() -> None:
    with StandIn() as board:
        board.leave_streaming(9)
        result = CliRunner().invoke(cli, ["board", "identify", "--json", "--port", board.url])
        assert json.loads(result.stdout)["was_streaming"]
        assert messages.STOP in board.heard


@pytest.mark.parametrize(
    ("script", "url", "code", "words"),
    [
        (None, "/dev/no-such-port", 3, "does not exist"),
        (Script(version=2), None, 4, "speaks protocol version 2"),
    ],
)
def test_one_error_line_and_its_exit_code(
    script: Script | None,
    url: str | None,
    code: int,
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with StandIn(script) as board:
        monkeypatch.setattr(sys, "argv", ["anviltrace", "board", "identify", "--port", url or board.url])
        with pytest.raises(SystemExit) as caught:
            main_module.main()
    assert caught.value.code == code
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("error: ")
    assert words in printed.err
    assert printed.err.count("\n") == 1
