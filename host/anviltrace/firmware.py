"""Lays out a board's file system in a folder: the device files, the wire package, the generated settings.

The same folder is copied to a real board and run by the virtual one.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import anvilwire
from anviltrace.errors import PlanError

Pins = list[tuple[str, int]]

PINS_NEEDED = {
    "ads1220": ("spi", "sck", "mosi", "miso", "cs", "drdy"),
    "ads1256": ("spi", "sck", "mosi", "miso", "cs", "drdy"),
    "hx711": ("clock", "data"),
    "nau7802": ("i2c", "scl", "sda"),
    "ownadc": ("adc",),
}
"""The pins each converter must have; those of :data:`BUSES` are numbers of parts of the board and no pins."""

BUSES = {"spi": "SPI bus", "i2c": "I2C bus", "pio": "PIO state machine"}

PINS_POSSIBLE = {
    "ads1220": PINS_NEEDED["ads1220"],
    "ads1256": (*PINS_NEEDED["ads1256"], "reset", "pio"),
    "hx711": (*PINS_NEEDED["hx711"], "pio"),
    "nau7802": (*PINS_NEEDED["nau7802"], "drdy"),
    "ownadc": (*PINS_NEEDED["ownadc"], "smps"),
}

DEFAULT_PINS = {
    "ads1220": {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "cs": 17, "drdy": 20},
    "ads1256": {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "cs": 17, "drdy": 20, "reset": 21},
    "hx711": {"clock": 14, "data": 15},
    "nau7802": {"i2c": 0, "scl": 5, "sda": 4},
    "ownadc": {"adc": 26},
}
"""Wiring used unless told otherwise, by GPIO number of a Raspberry Pi Pico."""

HX711_RATES_HZ = (10, 80)
RATES_HZ = {
    "ads1220": (2000, 1200, 1000, 600, 330, 175, 90, 45, 20),
    "ads1256": (30000, 15000, 7500, 3750, 2000, 1000, 500, 100, 60, 50, 30, 25, 15, 10, 5, 2.5),
    "hx711": HX711_RATES_HZ,
    "nau7802": (320, 80, 40, 20, 10),
    "ownadc": (20000, 10000, 5000, 2000),
}
"""What each converter offers; its file on the board says the same. Without PIO: see :func:`rates_hz`."""
MOST_BY_INTERRUPT_HZ = 7500
"""Beyond that an ADS1256 is read by a state machine."""
GAINS: dict[str, tuple[int, ...]] = {
    "ads1220": (1, 2, 4, 8, 16, 32, 64, 128),
    "ads1256": (1, 2, 4, 8, 16, 32, 64),
    "hx711": (32, 64, 128),
    "nau7802": (1, 2, 4, 8, 16, 32, 64, 128),
}
"""What each converter offers; the gain of an ownadc is that of the amplifier before it, see :func:`gains`."""
SENSOR_PINS = {
    "adxl375": ("spi", "sck", "mosi", "miso", "cs"),
    "contact": ("pin",),
    "ina226": ("i2c", "scl", "sda"),
    "ina238": ("i2c", "scl", "sda"),
    "tmp117": ("i2c", "scl", "sda"),
}
"""The pins each side sensor must have; I2C sensors may share theirs."""
SENSOR_FACTS: dict[str, dict[str, tuple[int, int, int]]] = {
    "adxl375": {},
    "contact": {},
    "ina226": {
        "shunt_uohm": (500, 10, 100_000_000),
        "shunt_within_ppm": (10_000, 0, 500_000),
        "address": (0x40, 0x40, 0x4F),
    },
    "ina238": {
        "shunt_uohm": (500, 10, 100_000_000),
        "shunt_within_ppm": (10_000, 0, 500_000),
        "shunt_range": (0, 0, 1),
        "address": (0x40, 0x40, 0x4F),
    },
    "tmp117": {"address": (0x48, 0x48, 0x4B)},
}
"""What else a builder may say of a sensor: usual value, least, most."""
USUAL_SENSOR_PINS = {
    "adxl375": {"spi": 1, "sck": 10, "mosi": 11, "miso": 12, "cs": 13},
    "contact": {"pin": 22},
    "ina226": {"i2c": 1, "scl": 7, "sda": 6},
    "ina238": {"i2c": 1, "scl": 7, "sda": 6},
    "tmp117": {"i2c": 1, "scl": 7, "sda": 6},
}
CONVERTER_ADDRESSES = {"nau7802": 0x2A}
MOST_SENSORS = 8
WATCHDOG_LIMIT_MS = 8388
REFERENCE_LIMITS_UV = {"ads1256": (500_000, 2_600_000), "ownadc": (2_000_000, 3_600_000)}
AMPLIFIER_GAIN_LIMIT = 10_000
FILTER_LIMIT_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class BoardSettings:
    """What ``settings.py`` of a board says; ``pins`` of None means the usual ones of the converter.

    ``rate_hz`` is what an HX711 module is strapped to; ``reference_uv``, ``excitation_uv`` and
    ``excitation_measured`` concern the ADS1256, and an ownadc whose reference is not the excitation
    (``reference_is_excitation``). ``amplifier_gain``, and ``filter_ns``, the time constant of the RC behind
    it, describe the stage before an ownadc. ``link`` is ``usb`` or a tuple
    ``("uart", number, baud rate, tx pin, rx pin)``. ``usual_rate_hz`` and ``usual_gain`` are taken where a
    host asks for none, None for the converter's own. ``sensors`` are the side sensors: each ``sensor`` (its
    name), its pins, and what else is known of it.
    """

    board: str = "pico"
    converter: str = "ads1256"
    pins: dict[str, int] | None = None
    rate_hz: int = 80
    usual_rate_hz: float | None = None
    usual_gain: int | None = None
    reference_uv: int = 2_500_000
    excitation_uv: int = 5_000_000
    excitation_measured: bool = False
    reference_is_excitation: bool = True
    amplifier_gain: int = 200
    filter_ns: int = 27_000
    sensors: tuple[dict[str, str | int], ...] = ()
    link: str | tuple[str, int, int, int, int] = "usb"
    escape_pin: int | None = None
    boot_wait_s: int = 2
    watchdog_ms: int = 8000

    def wiring(self) -> dict[str, int]:
        """The pins, the usual ones where none were given."""
        return dict(DEFAULT_PINS[self.converter] if self.pins is None else self.pins)


@dataclass(frozen=True, slots=True)
class LaidOutFile:
    """A file of the board: its path relative to the board's root, and its content's sha256 in hex."""

    path: str
    sha256: str


def lay_out(folder: Path, settings: BoardSettings) -> list[LaidOutFile]:
    """Write everything the board needs into ``folder``, which is made if need be.

    Returns the files, sorted by path. Raises :class:`PlanError` for settings no board can have; nothing is
    written then.
    """
    check(settings)
    source = device_folder()
    _copy_python(source, folder)
    _copy_python(Path(anvilwire.__file__).parent, folder / "lib" / "anvilwire")
    (folder / "settings.py").write_text(settings_text(settings), encoding="utf-8")
    return sorted(_describe(folder), key=lambda file: file.path)


def device_folder() -> Path:
    """Where the device files lie: in the installed package, or in the checkout it is run from."""
    here = Path(__file__).resolve().parent
    for folder in (here / "_device", here.parent.parent / "device"):
        if (folder / "main.py").is_file():
            return folder
    raise FileNotFoundError(f"no device files beside {here}: install anviltrace again")


def settings_text(settings: BoardSettings) -> str:
    """``settings.py`` as the board reads it."""
    lines = ['"""Pins and parts of this rig, written by anviltrace."""', ""]
    for field in fields(settings):
        value = settings.wiring() if field.name == "pins" else getattr(settings, field.name)
        lines.append(f"{field.name.upper()} = {value!r}")
    return "\n".join(lines) + "\n"


def check(settings: BoardSettings) -> None:
    """Raise :class:`PlanError` when no board can be built that way."""
    if settings.converter not in PINS_NEEDED:
        raise PlanError(f"converter {settings.converter!r} is not supported: choose {_listed(PINS_NEEDED)}")
    _check_sensors(settings)
    check_wiring(settings)
    if settings.converter == "hx711" and settings.rate_hz not in HX711_RATES_HZ:
        raise PlanError(f"an HX711 converts at 10 or 80 S/s, not {settings.rate_hz}: set rate_hz")
    _check_usual(settings)
    _check_reference(settings)
    if not 0 <= settings.watchdog_ms <= WATCHDOG_LIMIT_MS:
        raise PlanError(
            f"watchdog of {settings.watchdog_ms} ms: the limit is {WATCHDOG_LIMIT_MS} ms, and 0 means none"
        )


def gains(settings: BoardSettings) -> tuple[int, ...]:
    """What there is to choose from."""
    return (settings.amplifier_gain,) if settings.converter == "ownadc" else GAINS[settings.converter]


def has_reference(settings: BoardSettings) -> bool:
    """Whether the converter has a reference that is not the excitation."""
    own = settings.converter == "ownadc" and not settings.reference_is_excitation
    return own or settings.converter == "ads1256"


def _check_reference(settings: BoardSettings) -> None:
    """The reference, and the stage before an ownadc."""
    if has_reference(settings):
        low_uv, high_uv = REFERENCE_LIMITS_UV[settings.converter]
        if not low_uv <= settings.reference_uv <= high_uv:
            raise PlanError(
                f"reference_uv = {settings.reference_uv}: the {settings.converter} takes {low_uv} to "
                f"{high_uv} µV; correct it"
            )
    for name, value, least, most in (
        ("amplifier_gain", settings.amplifier_gain, 1, AMPLIFIER_GAIN_LIMIT),
        ("filter_ns", settings.filter_ns, 0, FILTER_LIMIT_NS),
    ):
        if not least <= value <= most:
            raise PlanError(f"{name} = {value}: it can be {least} to {most}; correct it")


def rates_hz(settings: BoardSettings) -> tuple[float, ...]:
    """The rates that a board with these settings offers."""
    if settings.converter == "hx711":
        return (settings.rate_hz,)
    offers = RATES_HZ[settings.converter]
    if settings.converter == "ads1256" and "pio" not in settings.wiring():
        return tuple(offer for offer in offers if offer <= MOST_BY_INTERRUPT_HZ)
    return offers


def _check_usual(settings: BoardSettings) -> None:
    name = settings.converter
    if name == "ads1256" and (settings.usual_rate_hz or 0) > max(rates_hz(settings)):
        raise PlanError(
            f"usual rate of {settings.usual_rate_hz:g} Hz: beyond {MOST_BY_INTERRUPT_HZ} Hz a PIO state "
            "machine has to read the ads1256 (RP2040 or RP2350); name one as pin pio, for instance pio=0"
        )
    for what, usual, offers in (
        ("rate in Hz", settings.usual_rate_hz, rates_hz(settings)),
        ("gain", settings.usual_gain, gains(settings)),
    ):
        if usual is not None and usual not in offers:
            choices = _listed(f"{offer:g}" for offer in offers)
            raise PlanError(f"usual {what} {usual:g}: the {name} has {choices}; choose one")


def check_wiring(settings: BoardSettings) -> None:
    pins = settings.wiring()
    missing = [name for name in PINS_NEEDED[settings.converter] if name not in pins]
    unknown = [name for name in pins if name not in PINS_POSSIBLE[settings.converter]]
    if missing or unknown:
        raise PlanError(
            f"pins of the {settings.converter}: missing {_listed(missing)}, unknown {_listed(unknown)}; "
            f"it has {_listed(PINS_POSSIBLE[settings.converter])}"
        )
    used = [(name, pin) for name, pin in pins.items() if name not in BUSES]
    if settings.escape_pin is not None:
        used.append(("escape_pin", settings.escape_pin))
    if not isinstance(settings.link, str):
        used += [("tx", settings.link[3]), ("rx", settings.link[4])]
    shared: set[tuple[int, ...]] = {(pins["i2c"], pins["scl"], pins["sda"])} if "i2c" in pins else set()
    for number, sensor in enumerate(settings.sensors):
        used += _pins_of_its_own(number, sensor, shared)
    owner: dict[int, str] = {}
    for name, pin in used:
        if pin in owner:
            raise PlanError(f"pin {pin} is used twice, as {owner[pin]} and as {name}: give each its own")
        owner[pin] = name


def _pins_of_its_own(number: int, sensor: Mapping[str, Any], shared: set[tuple[int, ...]]) -> Pins:
    """Pins of a sensor; those of an I2C bus that others are on already, on the same pins, are not its own."""
    names = [name for name in SENSOR_PINS[sensor["sensor"]] if name not in BUSES]
    if "i2c" in sensor:
        bus = (sensor["i2c"], sensor["scl"], sensor["sda"])
        if bus in shared:
            return []
        shared.add(bus)
    return [(f"{name} of {sensor_label(number, sensor)}", int(sensor[name])) for name in names]


def sensor_label(number: int, sensor: Mapping[str, Any]) -> str:
    """How messages call a side sensor."""
    return f"sensor {number + 1} ({sensor['sensor']})"


def with_usual_wiring(sensor: Mapping[str, Any]) -> dict[str, str | int]:
    """A side sensor with the usual pins, and the usual shunt, where it says none."""
    kind = sensor.get("sensor", "")
    if kind not in SENSOR_PINS:
        raise PlanError(f"side sensor {kind!r} is not supported: choose {_listed(SENSOR_PINS)}")
    shunt = {"shunt_uohm": SENSOR_FACTS[kind]["shunt_uohm"][0]} if "shunt_uohm" in SENSOR_FACTS[kind] else {}
    return {"sensor": kind, **USUAL_SENSOR_PINS[kind], **shunt, **sensor}


def _check_sensors(settings: BoardSettings) -> None:
    if len(settings.sensors) > MOST_SENSORS:
        raise PlanError(f"{len(settings.sensors)} side sensors: {MOST_SENSORS} are the most; take some out")
    own = settings.wiring()
    taken = {("i2c", own["i2c"], CONVERTER_ADDRESSES.get(settings.converter, 0))} if "i2c" in own else set()
    for number, sensor in enumerate(settings.sensors):
        _check_sensor(number, sensor)
        label, kind = sensor_label(number, sensor), sensor["sensor"]
        if "spi" in sensor and "spi" in own and sensor["spi"] == own["spi"]:
            raise PlanError(f"{label} is on SPI bus {own['spi']}, which the converter keeps: give it another")
        place = _place(sensor)
        if place in taken:
            raise PlanError(
                f"{label}: its place on the bus is taken; strap the {kind} to another address and name it"
            )
        taken.add(place)


def _place(sensor: Mapping[str, Any]) -> tuple[str, int, int]:
    """Bus and address, or bus and select pin, or pin: where no two can be."""
    facts = SENSOR_FACTS[sensor["sensor"]]
    if "i2c" in sensor:
        return "i2c", sensor["i2c"], sensor.get("address", facts["address"][0])
    return ("spi", sensor["spi"], -1) if "spi" in sensor else ("pin", sensor["pin"], 0)


def _check_sensor(number: int, sensor: Mapping[str, Any]) -> None:
    kind = sensor.get("sensor", "")
    if kind not in SENSOR_PINS:
        raise PlanError(
            f"side sensor {number + 1}, {kind!r}, is not supported: choose {_listed(SENSOR_PINS)}"
        )
    facts, label = SENSOR_FACTS[kind], sensor_label(number, sensor)
    needed = [*SENSOR_PINS[kind], *(name for name in facts if name == "shunt_uohm")]
    missing = [name for name in needed if name not in sensor]
    unknown = [name for name in sensor if name not in ("sensor", *SENSOR_PINS[kind], *facts)]
    if missing or unknown:
        raise PlanError(
            f"{label}: missing {_listed(missing)}, unknown {_listed(unknown)}; it has "
            f"{_listed((*SENSOR_PINS[kind], *facts))}"
        )
    for name, value in sensor.items():
        least, most = facts[name][1:] if name in facts else (0, 63)
        if name != "sensor" and not (type(value) is int and least <= value <= most):
            raise PlanError(f"{label}: {name} = {value!r} must be a whole number from {least} to {most}")


def _copy_python(source: Path, target: Path) -> None:
    for path in sorted(source.rglob("*.py")):
        relative = path.relative_to(source)
        (target / relative).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target / relative)


def _describe(folder: Path) -> list[LaidOutFile]:
    return [
        LaidOutFile(path.relative_to(folder).as_posix(), hashlib.sha256(path.read_bytes()).hexdigest())
        for path in folder.rglob("*.py")
    ]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"
