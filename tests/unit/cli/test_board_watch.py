"""``anviltrace board watch``."""

from __future__ import annotations

import json
import os
from unittest.mock import Mock

import numpy as np
import pytest
from click.testing import CliRunner, Result
from standin import Script, StandIn

from anviltrace.cli.main import cli

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")


def run(*words: str, script: Script | None = None) -> Result:
    with StandIn(script) as board:
        result = CliRunner().invoke(cli, ["board", "watch", "--port", board.url, *words])
        assert not board.streaming
    return result


def test_lines_for_a_program() -> None:
    result = run("--rate", "1000", "--gain", "64", "--seconds", "1", "--every", "0.5", "--json")
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["end_s"] for line in lines] == [0.5, 1.0]
    assert lines[0]["mean_counts"] == 249.5
    assert lines[0]["mean_mv"] == pytest.approx(249.5 * 78.125 / 8_388_607)
    assert result.exit_code == 0


def test_lines_for_a_person() -> None:
    alternating = Script(signal=lambda index: (1000 + 10 * (index % 2)).astype(np.int32))
    result = run("--rate", "1000", "--gain", "64", "--seconds", "2", script=alternating)
    first, second = result.stdout.splitlines()
    assert "1.0 s" in first
    assert "+1005.0 counts" in first
    assert "noise 5.0 counts" in first
    assert "1000.00 S/s" in second
    assert "OUT OF RANGE" not in second
    assert "ads1256, 1000 S/s, gain 64; Ctrl-C ends" in result.stderr


def test_ctrl_c_ends_it_well(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anviltrace.cli.board_watch._line", Mock(side_effect=KeyboardInterrupt))
    assert run("--rate", "1000").exit_code == 0


def test_out_of_range_and_lost() -> None:
    script = Script(signal=lambda index: np.full(len(index), 8_388_607, np.int32), lose={1: 5})
    result = run("--rate", "1000", "--seconds", "1", script=script)
    assert "OUT OF RANGE: 995 samples" in result.stdout
    assert "lost: 5 samples" in result.stdout
