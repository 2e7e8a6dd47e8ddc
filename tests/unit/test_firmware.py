"""Laying out a board's file system."""

from __future__ import annotations

import hashlib
import re
import runpy
from dataclasses import replace
from pathlib import Path

import pytest

from anviltrace import firmware
from anviltrace.errors import PlanError
from anviltrace.firmware import BoardSettings, lay_out

PICO = BoardSettings()
SCALE = BoardSettings(converter="hx711", rate_hz=10)


@pytest.mark.parametrize("settings", [PICO, SCALE])
def test_everything_the_board_needs(tmp_path: Path, settings: BoardSettings) -> None:
    files = lay_out(tmp_path / "board", settings)
    paths = [file.path for file in files]
    assert paths == sorted(paths)
    assert {"main.py", "settings.py", "station.py", f"converters/{settings.converter}.py"} <= set(paths)
    assert {"lib/anvilwire/__init__.py", "lib/anvilwire/frame.py"} <= set(paths)
    on_disk = [path for path in (tmp_path / "board").rglob("*") if path.is_file()]
    assert {path.relative_to(tmp_path / "board").as_posix() for path in on_disk} == set(paths)
    for file in files:
        content = (tmp_path / "board" / file.path).read_bytes()
        assert hashlib.sha256(content).hexdigest() == file.sha256


def test_nothing_but_source_goes_on_a_board(tmp_path: Path) -> None:
    assert all(file.path.endswith(".py") for file in lay_out(tmp_path, PICO))


def test_settings_are_written_as_they_were_given(tmp_path: Path) -> None:
    settings = replace(PICO, board="shed", link=("uart", 1, 921600, 4, 5), escape_pin=2, watchdog_ms=0)
    lay_out(tmp_path, settings)
    written = runpy.run_path(str(tmp_path / "settings.py"))
    assert written["BOARD"] == "shed"
    assert written["LINK"] == ("uart", 1, 921600, 4, 5)
    assert written["PINS"] == firmware.DEFAULT_PINS["ads1256"]
    assert (written["ESCAPE_PIN"], written["WATCHDOG_MS"]) == (2, 0)


def test_settings_have_the_names_of_the_builders_own_file(tmp_path: Path) -> None:
    lay_out(tmp_path, PICO)

    def names(path: Path) -> set[str]:
        return {name for name in runpy.run_path(str(path)) if name.isupper()}

    assert names(tmp_path / "settings.py") == names(firmware.device_folder() / "settings.py")


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (
            replace(PICO, converter="abacus"),
            "'abacus' is not supported: choose ads1220, ads1256, hx711, nau78",
        ),
        (replace(SCALE, rate_hz=40), "10 or 80 S/s, not 40"),
        (replace(SCALE, usual_rate_hz=80), "usual rate in Hz 80: the hx711 has 10; choose one"),
        (replace(PICO, usual_gain=128), "usual gain 128: the ads1256 has 1, 2, 4, 8, 16, 32, 64"),
        (replace(SCALE, pins={"clock": 3, "data": 3}), "pin 3 is used twice, as clock and as data"),
        (replace(SCALE, pins={"clock": 3}), "missing data, unknown none"),
        (replace(SCALE, pins={"clock": 3, "data": 4, "dout": 5}), "missing none, unknown dout"),
        (replace(SCALE, escape_pin=14), "pin 14 is used twice"),
        (replace(PICO, link=("uart", 0, 921600, 16, 1)), "pin 16 is used twice"),
        (replace(PICO, reference_uv=3_300_000), "500000 to 2600000"),
        (
            BoardSettings(converter="ownadc", reference_is_excitation=False, reference_uv=5_000_000),
            "the ownadc takes 2000000 to 3600000",
        ),
        (BoardSettings(converter="ownadc", amplifier_gain=0), "amplifier_gain = 0: it can be 1 to 10000"),
        (BoardSettings(converter="ownadc", filter_ns=-1), "filter_ns = -1: it can be 0 to 1000000"),
        (replace(PICO, watchdog_ms=9000), "limit is 8388 ms"),
    ],
)
def test_settings_no_board_can_have(tmp_path: Path, settings: BoardSettings, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        lay_out(tmp_path / "board", settings)
    assert not (tmp_path / "board").exists()


def test_the_installed_package_wins_over_the_checkout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "anviltrace"
    (package / "_device").mkdir(parents=True)
    monkeypatch.setattr(firmware, "__file__", str(package / "firmware.py"))
    with pytest.raises(FileNotFoundError, match="install anviltrace again"):
        firmware.device_folder()
    (package / "_device" / "main.py").touch()
    assert firmware.device_folder() == package / "_device"


def _with(*sensors: dict[str, int | str], **changes: object) -> BoardSettings:
    whole = tuple(firmware.with_usual_wiring(sensor) for sensor in sensors)
    return replace(PICO, sensors=whole, **changes)  # type: ignore[arg-type]


def test_i2c_sensors_share_a_bus_with_each_other_and_with_a_converter() -> None:
    firmware.check(_with({"sensor": "ina226"}, {"sensor": "tmp117"}, {"sensor": "ina238", "address": 0x41}))
    bus = {"i2c": 0, "scl": 5, "sda": 4}
    firmware.check(_with({"sensor": "tmp117", **bus}, converter="nau7802"))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (_with({"sensor": "ina226"}, {"sensor": "ina238"}), "its place on the bus is taken"),
        (
            _with({"sensor": "tmp117"}, {"sensor": "ina226", "scl": 9}),
            "pin 6 is used twice, as sda of sensor 1",
        ),
        (_with({"sensor": "adxl375", "spi": 0}), "on SPI bus 0, which the converter keeps"),
        (_with({"sensor": "adxl375"}, {"sensor": "contact", "pin": 13}), "pin 13 is used twice"),
        (_with({"sensor": "contact"}, escape_pin=22), "pin 22 is used twice"),
        (_with({"sensor": "ina226", "shunt_uohm": 0}), "must be a whole number from 10 to 100000000"),
        (_with({"sensor": "tmp117", "address": 0x40}), "must be a whole number from 72 to 75"),
        (replace(PICO, sensors=({"sensor": "contact"},)), "missing pin"),
        (replace(PICO, sensors=({"sensor": "gyro"},)), "is not supported: choose"),
        (_with(*[{"sensor": "contact", "pin": pin} for pin in range(9)]), "8 are the most"),
    ],
)
def test_impossible_side_sensors_are_refused(settings: BoardSettings, words: str) -> None:
    with pytest.raises(PlanError, match=re.escape(words)):
        firmware.check(settings)


def test_every_sensor_on_offer_is_on_the_board() -> None:
    for kind in firmware.SENSOR_PINS:
        assert (firmware.device_folder() / "sensors" / f"{kind}.py").is_file()
        firmware.check(_with({"sensor": kind}))
