"""Pins that boards have, and what they can be."""

from __future__ import annotations

from dataclasses import replace

import pytest

from anviltrace.errors import PlanError
from anviltrace.firmware import DEFAULT_PINS, BoardSettings
from anviltrace.install.boards import BOARDS, check_pins

SPI = DEFAULT_PINS["ads1256"]
PICO = BoardSettings()
SCALE = BoardSettings(converter="hx711")


@pytest.mark.parametrize("converter", DEFAULT_PINS)
@pytest.mark.parametrize("board", BOARDS)
def test_the_usual_wiring_is_possible_on_every_board(board: str, converter: str) -> None:
    check_pins(BoardSettings(board=board, converter=converter))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (replace(SCALE, pins={"clock": 14, "data": 25}), "data = 25: the Raspberry Pi Pico has no such pin"),
        (replace(SCALE, pins={"clock": 14, "data": 25}), "it has GPIO 0-22, 26-28"),
        (replace(SCALE, board="rp2040", pins={"clock": 30, "data": 2}), "clock = 30: the RP2040 board"),
        (replace(PICO, escape_pin=29), "escape_pin = 29"),
        (replace(PICO, link=("uart", 1, 921600, 4, 45)), "rx = 45"),
        (
            replace(PICO, pins={**SPI, "sck": 5}),
            "sck = 5: that pin cannot be sck of SPI 0; choose 2, 6, 18, 22",
        ),
        (replace(PICO, pins={**SPI, "spi": 1}), "cannot be sck of SPI 1"),
        (replace(PICO, pins={**SPI, "spi": 2}), "SPI 2 does not exist on this board: choose 0-1"),
        (
            replace(SCALE, pins={"clock": 14, "data": 15, "pio": 8}),
            "PIO 8 does not exist on this board: choose 0-7",
        ),
        (BoardSettings("pico", "ownadc", {"adc": 29}), "adc = 29: that pin has no ADC; choose 26-28"),
        (BoardSettings("rp2040", "ownadc", {"adc": 25}), "adc = 25: that pin has no ADC; choose 26-29"),
        (BoardSettings("pico-w", "ownadc", {"adc": 26, "smps": 23}), "smps = 23: the Raspberry Pi Pico W"),
        (BoardSettings("pico", "ownadc", {"adc": 26, "smps": 24}), "smps = 24"),
        (replace(PICO, link=("uart", 0, 921600, 4, 5)), "tx = 4: that pin cannot be tx of UART 0"),
    ],
)
def test_pins_a_board_has_not(settings: BoardSettings, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        check_pins(settings)


def test_the_number_of_a_part_of_the_board_is_no_pin() -> None:
    check_pins(replace(SCALE, pins={"clock": 0, "data": 1, "pio": 0}))


def test_pins_of_a_two_wire_bus() -> None:
    pins = {"i2c": 1, "scl": 5, "sda": 6}
    with pytest.raises(PlanError, match="scl = 5: that pin cannot be scl of I2C 1; choose 3, 7, 11"):
        check_pins(replace(SCALE, pins=pins))


def test_a_board_nobody_knows_is_not_judged() -> None:
    check_pins(replace(PICO, board="shed", pins={**SPI, "sck": 77, "spi": 5}))
