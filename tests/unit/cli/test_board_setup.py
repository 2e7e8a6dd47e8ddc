"""``anviltrace board setup``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from anviltrace.cli.main import cli
from anviltrace.errors import PlanError
from anviltrace.firmware import DEFAULT_PINS
from anviltrace.install.settingsfile import read_settings

HX711 = ("--converter", "hx711")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "rig" / "settings.py"


def run(path: Path, *words: str, answers: str | None = None) -> Result:
    return CliRunner().invoke(cli, ["board", "setup", str(path), *words], input=answers)


def test_without_questions(path: Path) -> None:
    words = ("--pin", "clock=6", "--pin", "data=7", "--rate", "10", "--gain", "64", "--yes", "--json")
    result = run(path.parent, *HX711, *words)
    assert result.exit_code == 0, result.stderr
    data = json.loads(result.stdout)
    assert data["path"] == str(path)
    assert data["settings"]["pins"] == {"clock": 6, "data": 7}
    settings = read_settings(path)
    assert (settings.converter, settings.rate_hz, settings.usual_gain) == ("hx711", 10, 64)
    assert path.read_text(encoding="utf-8") in result.stderr  # shown before it is written


def test_enter_takes_what_is_usual(path: Path) -> None:
    result = run(path, answers="\n" * 20)
    assert result.exit_code == 0, result.stderr
    settings = read_settings(path)
    assert settings.wiring() == DEFAULT_PINS["ads1256"]
    assert (settings.usual_rate_hz, settings.usual_gain, settings.excitation_uv) == (3750, 64, 5_000_000)
    assert not settings.excitation_measured


def test_answers_are_taken(path: Path) -> None:
    pins = ["1", "10", "11", "12", "13", "9", "none", "none"]
    answers = ["pico2", "ads1256", *pins, "4.987", "y", "7500", "32", "none", "y"]
    result = run(path, answers="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    settings = read_settings(path)
    assert settings.board == "pico2"
    assert settings.wiring() == {"spi": 1, "sck": 10, "mosi": 11, "miso": 12, "cs": 13, "drdy": 9}
    assert (settings.excitation_uv, settings.excitation_measured) == (4_987_000, True)
    assert (settings.usual_rate_hz, settings.usual_gain) == (7500, 32)


def test_a_state_machine_brings_the_fast_rates(path: Path) -> None:
    assert run(path, "--pin", "pio=0", "--rate", "30000", "--yes").exit_code == 0
    settings = read_settings(path)
    assert (settings.wiring()["pio"], settings.usual_rate_hz) == (0, 30000)
    assert run(path, "--pin", "pio=none", "--yes").exit_code != 0  # the rate was for it


def test_the_state_machine_is_asked_for(path: Path) -> None:
    result = run(path, answers="\n" * 9 + "4\n" + "\n" * 10)
    assert result.exit_code == 0, result.stderr
    assert "number of the PIO state machine (none: none)" in result.stderr
    settings = read_settings(path)
    assert (settings.wiring()["pio"], settings.usual_rate_hz) == (4, 7500)


OWN = ("pico", "ownadc", "27", "23")


def test_the_boards_own_adc_and_its_amplifier_are_asked_for(path: Path) -> None:
    result = run(path, answers="\n".join([*OWN, "100", "y", "10000", "none", "y"]) + "\n")
    assert result.exit_code == 0, result.stderr
    settings = read_settings(path)
    assert settings.wiring() == {"adc": 27, "smps": 23}
    assert (settings.amplifier_gain, settings.reference_is_excitation) == (100, True)
    assert (settings.usual_rate_hz, settings.usual_gain) == (10000, None)


def test_a_reference_of_its_own_asks_for_it_and_for_the_excitation(path: Path) -> None:
    answers = [*OWN, "200", "n", "3.29", "3.312", "y", "", "none", "y"]
    result = run(path, answers="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    settings = read_settings(path)
    assert (settings.reference_is_excitation, settings.reference_uv) == (False, 3_290_000)
    assert (settings.excitation_uv, settings.excitation_measured) == (3_312_000, True)
    assert settings.usual_rate_hz == 20000  # DMA keeps up with the fastest


def test_the_gain_of_an_amplifier_by_option(path: Path) -> None:
    assert (
        run(path, "--converter", "ownadc", "--amplifier-gain", "250", "--gain", "250", "--yes").exit_code == 0
    )
    assert read_settings(path).usual_gain == 250
    assert run(path, "--amplifier-gain", "100", "--yes").exit_code == 0
    settings = read_settings(path)
    assert (settings.amplifier_gain, settings.usual_gain) == (100, None)


def test_pins_that_cannot_be_are_asked_for_once_more(path: Path) -> None:
    first = ["pico", "hx711", "14", "99", "none"]  # a Pico has no 99
    result = run(path, answers="\n".join([*first, "", "15", "", "80", "", "none", "y"]) + "\n")
    assert result.exit_code == 0, result.stderr
    assert "data = 99: the Raspberry Pi Pico has no such pin" in result.stderr
    assert result.stderr.index("Pack out of the tool") < result.stderr.index("Pins by GPIO")
    assert read_settings(path).wiring() == {"clock": 14, "data": 15}


def test_side_sensors_that_cannot_be_are_asked_for_once_more(path: Path) -> None:
    answers = ["", "", *[""] * 8, "", "", "", "", "conact", "contact", "20", "", "22", "y"]
    result = run(path, answers="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    assert "'conact' is not one of" in result.stderr
    assert "pin 20 is used twice" in result.stderr
    assert read_settings(path).sensors == ({"sensor": "contact", "pin": 22},)


def test_a_builders_own_comments_stay(path: Path) -> None:
    run(path, "--yes")
    path.write_text(path.read_text(encoding="utf-8").replace("\nRATE_HZ", "\n# strapped in May – µ\nRATE_HZ"))
    assert run(path, "--gain", "16", "--yes").exit_code == 0
    assert "# strapped in May – µ" in path.read_text(encoding="utf-8")
    assert read_settings(path).usual_gain == 16


def test_no_answer_writes_nothing(path: Path) -> None:
    result = run(path, answers="\n" * 15 + "n\n")
    assert result.exit_code == 1
    assert not path.exists()


def test_what_was_set_up_before_stays(path: Path) -> None:
    run(path, "--excitation", "4.9", "--measured", "--pin", "reset=none", "--rate", "2.5", "--yes")
    run(path, "--gain", "16", "--yes")
    settings = read_settings(path)
    assert (settings.excitation_uv, settings.excitation_measured) == (4_900_000, True)
    assert "reset" not in settings.wiring()
    assert (settings.usual_rate_hz, settings.usual_gain) == (2.5, 16)


def test_another_converter_gets_its_own_pins(path: Path) -> None:
    run(path, "--gain", "16", "--yes")
    run(path, *HX711, "--yes")
    settings = read_settings(path)
    assert settings.wiring() == DEFAULT_PINS["hx711"]
    assert settings.usual_gain is None


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((*HX711, "--pin", "clock=15"), "pin 15 is used twice, as clock and as data"),
        ((*HX711, "--pin", "clock=24"), "clock = 24: the Raspberry Pi Pico has no such pin"),
        ((*HX711, "--pin", "dout=3"), "unknown dout"),
        ((*HX711, "--rate", "40"), "10 or 80 S/s, not 40"),
        (("--converter", "abacus"), "'abacus' is not supported: choose ads1220"),
        (("--pin", "sck=4"), "cannot be sck of SPI 0"),
        (("--pin", "drdy=none"), "missing drdy"),
        (("--rate", "44"), "usual rate in Hz 44"),
        (("--converter", "ownadc", "--pin", "adc=22"), "adc = 22: that pin has no ADC; choose 26-28"),
        (("--converter", "ownadc", "--gain", "128"), "usual gain 128: the ownadc has 200"),
        (("--escape-pin", "18"), "pin 18 is used twice, as sck and as escape_pin"),
    ],
)
def test_what_cannot_be_is_refused_and_not_written(path: Path, words: tuple[str, ...], told: str) -> None:
    result = run(path, *words, "--yes")
    assert isinstance(result.exception, PlanError)
    assert told in str(result.exception)
    assert not path.exists()


def test_a_board_nobody_knows_is_taken_and_said(path: Path) -> None:
    result = run(path, "--board", "shed", "--yes")
    assert result.exit_code == 0
    assert "'shed' is no board known here: its pins are not checked." in result.stderr
    assert read_settings(path).board == "shed"


@pytest.mark.parametrize("pin", ["sck", "sck=", "=4", "sck=four"])
def test_pins_are_named_and_numbered(path: Path, pin: str) -> None:
    assert run(path, "--pin", pin, "--yes").exit_code == 2


def test_side_sensors_by_option(path: Path) -> None:
    words = (
        "--sensor",
        "ina226,shunt_uohm=250,address=0x41",
        "--sensor",
        "tmp117",
        "--sensor",
        "contact,pin=9",
    )
    assert run(path, *words, "--yes").exit_code == 0
    power, thermometer, contact = read_settings(path).sensors
    assert power == {"sensor": "ina226", "i2c": 1, "scl": 7, "sda": 6, "shunt_uohm": 250, "address": 0x41}
    assert thermometer == {"sensor": "tmp117", "i2c": 1, "scl": 7, "sda": 6}
    assert contact == {"sensor": "contact", "pin": 9}
    assert run(path, "--gain", "32", "--yes").exit_code == 0
    assert len(read_settings(path).sensors) == 3
    assert run(path, "--sensor", "none", "--yes").exit_code == 0
    assert read_settings(path).sensors == ()


def test_side_sensors_are_asked_for(path: Path) -> None:
    answers = ["adxl375, ina238", "1", "14", "15", "12", "13", "1", "7", "6", "1000"]
    result = run(path, answers="\n" * 14 + "\n".join(answers) + "\ny\n")
    assert result.exit_code == 0, result.stderr
    handle, power = read_settings(path).sensors
    assert handle == {"sensor": "adxl375", "spi": 1, "sck": 14, "mosi": 15, "miso": 12, "cs": 13}
    assert (power["sensor"], power["shunt_uohm"]) == ("ina238", 1000)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--sensor", "adxl375,sck=9"), "that pin cannot be sck of SPI 1"),
        (("--sensor", "contact,pin=25"), "has no such pin"),
        (("--sensor", "contact,pin=20"), "pin 20 is used twice, as drdy and as pin of sensor 1 (contact)"),
        (("--sensor", "gyro"), "side sensor 'gyro' is not supported: choose adxl375, contact"),
        (("--sensor", "ina226,range=2"), "unknown range"),
    ],
)
def test_impossible_side_sensors_are_refused(path: Path, words: tuple[str, ...], said: str) -> None:
    result = run(path, *words, "--yes")
    assert isinstance(result.exception, PlanError)
    assert said in str(result.exception)
    assert not path.exists()


def test_what_is_no_number_is_refused(path: Path) -> None:
    result = run(path, "--sensor", "ina226,scl=seven", "--yes")
    assert result.exit_code == 2
    assert "'scl=seven' is not NAME=NUMBER" in result.stderr
