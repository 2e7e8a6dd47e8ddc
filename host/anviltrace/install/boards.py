"""Boards with the pins they have, by GPIO number, and what each pin can be.

Source: RP2040 datasheet, table of GPIO functions, and the pinouts of the boards (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from anviltrace.errors import PlanError
from anviltrace.firmware import BUSES, SENSOR_PINS, BoardSettings, sensor_label

_HEADER = frozenset({*range(23), 26, 27, 28})
"""What a Pico leads to its edge; 23, 24, 25 and 29 serve the board itself."""

Buses = Mapping[int, Mapping[str, frozenset[int]]]

_RP2040_SPI: Buses = {
    0: {
        "sck": frozenset({2, 6, 18, 22}),
        "mosi": frozenset({3, 7, 19, 23}),
        "miso": frozenset({0, 4, 16, 20}),
    },
    1: {
        "sck": frozenset({10, 14, 26}),
        "mosi": frozenset({11, 15, 27}),
        "miso": frozenset({8, 12, 24, 28}),
    },
}
_RP2040_UART: Buses = {
    0: {"tx": frozenset({0, 12, 16, 28}), "rx": frozenset({1, 13, 17, 29})},
    1: {"tx": frozenset({4, 8, 20, 24}), "rx": frozenset({5, 9, 21, 25})},
}
_RP2040_I2C: Buses = {
    0: {"sda": frozenset(range(0, 29, 4)), "scl": frozenset(range(1, 30, 4))},
    1: {"sda": frozenset(range(2, 27, 4)), "scl": frozenset(range(3, 28, 4))},
}
_RP2040_PIO: Buses = {number: {} for number in range(8)}
_RP2040 = {"spi": _RP2040_SPI, "i2c": _RP2040_I2C, "uart": _RP2040_UART, "pio": _RP2040_PIO}
_ANALOGUE = frozenset({26, 27, 28, 29})
_STEADY_SUPPLY = 23
"""On a Pico and a Pico 2 this pin, which is not led out, keeps the supply from saving power."""
_RP2350_PIO: Buses = {number: {} for number in range(12)}
_RP2350 = {"spi": _RP2040_SPI, "i2c": _RP2040_I2C, "pio": _RP2350_PIO}
"""Its UARTs can use more pins than an RP2040's."""


@dataclass(frozen=True, slots=True)
class BoardKind:
    """A kind of board: its pins, None where nothing is known, and which of them its buses can use."""

    words: str
    pins: frozenset[int] | None
    buses: Mapping[str, Buses] = field(default_factory=dict)


BOARDS = {
    "pico": BoardKind("Raspberry Pi Pico", _HEADER, _RP2040),
    "pico-w": BoardKind("Raspberry Pi Pico W", _HEADER, _RP2040),
    "pico2": BoardKind("Raspberry Pi Pico 2", _HEADER, _RP2350),
    "rp2040": BoardKind("RP2040 board", frozenset(range(30)), _RP2040),
    "generic": BoardKind("other board (its pins are not checked)", None),
}


def check_pins(settings: BoardSettings) -> None:
    """Raise PlanError for pins the board lacks, or that cannot do what they are meant for.

    ``settings.board`` that is none of :data:`BOARDS` is a generic one.
    """
    kind = BOARDS.get(settings.board, BOARDS["generic"])
    wiring = settings.wiring()
    for name, pin in used_pins(settings).items():
        if name == "smps" and settings.board in ("pico", "pico2") and pin == _STEADY_SUPPLY:
            continue
        if kind.pins is not None and name == "adc" and pin not in _ANALOGUE & kind.pins:
            choices = _ranges(_ANALOGUE & kind.pins)
            raise PlanError(f"adc = {pin}: that pin has no ADC; choose {choices}")
        if kind.pins is not None and pin not in kind.pins:
            raise PlanError(
                f"{name} = {pin}: the {kind.words} has no such pin; it has GPIO {_ranges(kind.pins)}"
            )
    if not isinstance(settings.link, str):
        _, number, _, tx, rx = settings.link
        wiring |= {"uart": number, "tx": tx, "rx": rx}
    sensors = [
        {name: pin for name, pin in sensor.items() if isinstance(pin, int)} for sensor in settings.sensors
    ]
    for pins in (wiring, *sensors):
        for bus, numbers in kind.buses.items():
            if bus in pins:
                _check_bus(bus.upper(), numbers, pins[bus], pins)


def used_pins(settings: BoardSettings) -> dict[str, int]:
    """Every pin in use by what it is for; buses are no pins."""
    pins = {name: pin for name, pin in settings.wiring().items() if name not in BUSES}
    if settings.escape_pin is not None:
        pins["escape_pin"] = settings.escape_pin
    if not isinstance(settings.link, str):
        pins |= {"tx": settings.link[3], "rx": settings.link[4]}
    for number, sensor in enumerate(settings.sensors):
        for name in SENSOR_PINS[str(sensor["sensor"])]:
            if name not in BUSES:
                pins[f"{name} of {sensor_label(number, sensor)}"] = int(sensor[name])
    return pins


def _check_bus(what: str, buses: Buses, number: int, pins: Mapping[str, int]) -> None:
    if number not in buses:
        raise PlanError(f"{what} {number} does not exist on this board: choose {_ranges(frozenset(buses))}")
    for role, able in buses[number].items():
        if role in pins and pins[role] not in able:
            raise PlanError(
                f"{role} = {pins[role]}: that pin cannot be {role} of {what} {number}; choose {_ranges(able)}"
            )


def _ranges(numbers: frozenset[int]) -> str:
    """``0-22, 26-28``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)
