"""settings.py as a builder reads and writes it."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.errors import PlanError
from anviltrace.firmware import DEFAULT_PINS, BoardSettings, device_folder
from anviltrace.install.settingsfile import read_settings, settings_document

POWER = {"sensor": "ina226", "i2c": 1, "scl": 7, "sda": 6, "shunt_uohm": 500_000}
WHOLE = settings_document(BoardSettings())


def test_the_example_that_comes_along_is_the_usual_board() -> None:
    settings = read_settings(device_folder() / "settings.py")
    assert settings == BoardSettings(pins=DEFAULT_PINS["ads1256"])


@given(
    board=st.text(max_size=20),
    excitation_uv=st.integers(1, 10_000_000),
    usual_rate_hz=st.sampled_from([None, 2.5, 3750]),
    link=st.sampled_from(["usb", ("uart", 1, 921600, 4, 5)]),
    escape_pin=st.sampled_from([None, 0, 22]),
    sensors=st.sampled_from(
        [(), ({"sensor": "contact", "pin": 8},), (POWER, {"sensor": "contact", "pin": 8})]
    ),
)
def test_what_is_written_is_what_python_and_we_read(tmp_path_factory: pytest.TempPathFactory, **made) -> None:
    settings = BoardSettings(**made, pins=DEFAULT_PINS["ads1256"])
    path = tmp_path_factory.mktemp("rig") / "settings.py"
    path.write_text(settings_document(settings), encoding="utf-8")
    ran = runpy.run_path(str(path))
    for name in BoardSettings.__dataclass_fields__:
        assert ran[name.upper()] == getattr(settings, name)
    if made["board"] not in ("pico", "rp2040"):
        assert read_settings(path) == settings


def test_comments_stay() -> None:
    example = (device_folder() / "settings.py").read_text(encoding="utf-8")
    comments = [line for line in example.splitlines() if line.startswith("#")]
    assert [line for line in WHOLE.splitlines() if line.startswith("#")] == comments
    assert "Raspberry" not in WHOLE


def test_a_builders_own_comments_and_lines_stay() -> None:
    mine = WHOLE.replace('BOARD = "pico"', '# bay 2, the µV rig\nBOARD = "pico"  # the blue one', 1)
    mine = mine.replace(
        "EXCITATION_UV = 5_000_000", "EXCITATION_UV = 5_000_000  # by the 4½-digit meter – µV"
    )
    mine = mine.replace("RATE_HZ = 80\n", "RATE_HZ = 80; WATCHDOG_MS = 8000  # two on a line\n", 1)
    mine = mine.replace("\nWATCHDOG_MS = 8000\n", "\n# the end", 1)
    usual = BoardSettings(pins=DEFAULT_PINS["ads1256"])
    assert settings_document(usual, mine) == mine.rstrip("\n") + "\n"
    changed = replace(
        usual, excitation_uv=4_968_000, watchdog_ms=0, sensors=({"sensor": "contact", "pin": 8},)
    )
    assert settings_document(changed, mine).splitlines() == (
        mine.replace("5_000_000  # by", "4_968_000  # by")
        .replace("WATCHDOG_MS = 8000", "WATCHDOG_MS = 0")
        .replace("SENSORS = ()\n", 'SENSORS = (\n    {"sensor": "contact", "pin": 8},\n)\n', 1)
        .splitlines()
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('BOARD = "pico"', "import os", "line 6: only NAME = value"),
        ('BOARD = "pico"', 'BOARD = "pi" + "co"', "line 6: only NAME = value"),
        ('BOARD = "pico"', 'BORED = "pico"', "nothing is called BORED"),
        ('BOARD = "pico"', "", r'lacks BOARD: add the line BOARD = "pico"'),
        ('BOARD = "pico"', "BOARD = (", "is not Python"),
        ("RATE_HZ = 80", "RATE_HZ = True", "RATE_HZ = True is not of the right kind"),
        ("USUAL_GAIN = None", "USUAL_GAIN = '64'", "USUAL_GAIN = '64' is not of the right kind"),
        ("USUAL_GAIN = None", "USUAL_GAIN = 65", "usual gain 65: the ads1256 has 1"),
        ('LINK = "usb"', 'LINK = ("uart", 1, 921600)', "LINK = .* is not of the right kind"),
        ('"cs": 17', '"cs": 16', "pin 16 is used twice, as miso and as cs"),
        ('"cs": 17', '"cs": 25', "cs = 25: the Raspberry Pi Pico has no such pin"),
        ('"cs": 17', '"cs": None', "PINS = .* is not of the right kind"),
    ],
)
def test_files_no_board_should_get(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in WHOLE
    path = tmp_path / "settings.py"
    path.write_text(WHOLE.replace(f"\n{old}", f"\n{new}") if old[0] != '"' else WHOLE.replace(old, new))
    with pytest.raises(PlanError, match=words):
        read_settings(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"cannot be read.*board setup"):
        read_settings(tmp_path / "settings.py")
