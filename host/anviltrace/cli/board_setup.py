"""``anviltrace board setup``: asks what a rig is made of and writes its settings.py."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from anviltrace.cli.board_sensors import asked_sensors, refused, to_sensors, with_sensors
from anviltrace.cli.options import finite, json_option, print_json

if TYPE_CHECKING:
    from anviltrace.firmware import BoardSettings

Command = TypeVar("Command", bound=Callable[..., Any])

MICRO = 1_000_000
OWN_REFERENCE_V = 3.3
NOT_WIRED = "none"

SURE_RATE_HZ = 3750
"""The fastest rate suggested: what a Pico surely keeps up with by interrupt."""
SURE_BY_PIO_HZ = 7500
"""The same where a state machine reads an ADS1256: blows of 1 ms in full, and any link carries it."""
BY_DMA = ("ownadc",)
"""Converters without an interrupt for each sample: the fastest rate is suggested."""


def to_pins(
    ctx: click.Context,  # noqa: ARG001
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> dict[str, int | None]:
    """Callback that reads NAME=GPIO; None for a pin that is not wired."""
    pins = {}
    for text in values:
        name, equals, number = text.partition("=")
        if not name or not equals:
            raise click.BadParameter(f"{text!r} is not NAME=GPIO, for instance sck=18")
        pins[name] = to_pin(number)
    return pins


def to_pin(text: str) -> int | None:
    """The number of a pin as a person writes it, None for ``none``."""
    if text == NOT_WIRED:
        return None
    if not text.isdecimal():
        raise click.BadParameter(f"{text!r} is not the number of a pin, for instance 18, nor {NOT_WIRED}")
    return int(text)


def volts_option(name: str, words: str) -> Callable[[Command], Command]:
    """An option that takes a voltage."""
    above_0 = click.FloatRange(min=0.0, max=20.0, min_open=True)
    return click.option(name, f"{name[2:]}_v", type=above_0, callback=finite, help=words)


@click.command()
@click.argument("where", metavar="[FOLDER|settings.py]", type=click.Path(path_type=Path), default=Path("."))
@click.option("--board", help="pico, pico-w, pico2, rp2040 or generic.")
@click.option("--converter", help="The converter, by its file in converters/, for instance ads1256.")
@click.option(
    "--pin",
    "pins",
    multiple=True,
    callback=to_pins,
    metavar="NAME=GPIO",
    help="A pin, NAME=none where it is not wired; repeat for each.",
)
@volts_option("--excitation", "Excitation of the bridge in V, for a converter that has its own reference.")
@click.option("--measured/--nominal", default=None, help="Whether a meter measured the excitation.")
@volts_option("--reference", "Voltage reference of such a converter in V.")
@click.option(
    "--amplifier-gain", type=click.IntRange(1), help="Gain of the amplifier before the board's own ADC."
)
@click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="Samples per second where a plan names none; HX711: as its module is strapped, 10 or 80.",
)
@click.option("--gain", type=click.IntRange(1), help="Gain where a plan names none.")
@click.option(
    "--sensor",
    "sensors",
    multiple=True,
    callback=to_sensors,
    metavar="KIND[,NAME=NUMBER...]",
    help="A side sensor, for instance ina226,scl=7,sda=6,shunt_uohm=500, or none; repeat for each.",
)
@click.option("--escape-pin", type=click.IntRange(0), help="Held low at power-up it keeps the prompt.")
@click.option("--yes", is_flag=True, help="Ask nothing; what is not given stays as it was, or as usual.")
@json_option
def setup(where: Path, yes: bool, as_json: bool, **given: Any) -> None:
    """Write the settings.py of your board.

    Which board, converter, pins, rate, side sensors: it asks for each and shows the file before it writes it.
    Of a settings.py that is there already only the values that change are written anew; your own comments
    stay. Pins that the board has not, that are used twice, or that cannot do the job are refused. Everything
    else can be edited in the file.

    Pack out of the tool and USB unplugged before you touch the wiring.

    \b
    Example:
      anviltrace board setup rig/
      anviltrace board setup rig/ --board pico --converter hx711 --pin clock=14 --pin data=15 --rate 80 --yes
      anviltrace board setup rig/ --sensor ina226,shunt_uohm=500 --sensor adxl375 --sensor contact --yes
    """
    from anviltrace.install.boards import BOARDS
    from anviltrace.install.settingsfile import check_settings, read_settings, settings_document

    path = where if where.suffix == ".py" else where / "settings.py"
    before = read_settings(path) if path.exists() else None
    there = path.read_text(encoding="utf-8") if before else None
    settings = _with_given(before, given)
    if not yes:
        settings = _asked(settings, given)
    check_settings(settings)
    if settings.board not in BOARDS:
        click.echo(f"{settings.board!r} is no board known here: its pins are not checked.", err=True)
    document = settings_document(settings, there)
    click.echo(document, err=True)
    if not yes:
        click.confirm(f"Write this to {path}", default=True, abort=True, err=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(document, encoding="utf-8")
    if as_json:
        print_json({"path": str(path), "settings": asdict(settings) | {"pins": settings.wiring()}})
    else:
        click.echo(f"{path} is written. Onto the board with: anviltrace board install {path} --port PORT")


def _with_given(before: BoardSettings | None, given: dict[str, Any]) -> BoardSettings:
    """The settings of before, or the usual ones, changed by what the options say."""
    from anviltrace.firmware import BoardSettings

    settings = before or BoardSettings()
    settings = replace(settings, board=given["board"] or settings.board)
    settings = _with_converter(settings, given["converter"] or settings.converter)
    settings = replace(settings, pins=_wired(settings.wiring() | given["pins"]))
    if given["excitation_v"] is not None:
        settings = replace(settings, excitation_uv=round(MICRO * given["excitation_v"]))
    if given["reference_v"] is not None:
        settings = replace(settings, reference_uv=round(MICRO * given["reference_v"]))
    if given["measured"] is not None:
        settings = replace(settings, excitation_measured=given["measured"])
    if given["amplifier_gain"] is not None:
        settings = replace(settings, amplifier_gain=given["amplifier_gain"], usual_gain=None)
    if given["rate_hz"] is not None:
        settings = _with_rate(settings, given["rate_hz"])
    if given["gain"] is not None:
        settings = replace(settings, usual_gain=given["gain"])
    settings = with_sensors(settings, given["sensors"])
    if given["escape_pin"] is not None:
        settings = replace(settings, escape_pin=given["escape_pin"])
    return settings


def _with_converter(settings: BoardSettings, converter: str) -> BoardSettings:
    """Another converter has other pins, rates and gains: the usual ones of its kind."""
    from anviltrace.errors import PlanError
    from anviltrace.firmware import DEFAULT_PINS

    if converter not in DEFAULT_PINS:
        raise PlanError(f"converter {converter!r} is not supported: choose {', '.join(DEFAULT_PINS)}")
    if converter == settings.converter:
        return settings
    return replace(settings, converter=converter, pins=None, usual_rate_hz=None, usual_gain=None)


def _with_rate(settings: BoardSettings, rate_hz: float) -> BoardSettings:
    """An HX711 converts at what it is strapped to; others take the rate they are told."""
    rate_hz = int(rate_hz) if rate_hz == int(rate_hz) else rate_hz
    if settings.converter == "hx711" and isinstance(rate_hz, int):
        return replace(settings, rate_hz=rate_hz, usual_rate_hz=None)
    return replace(settings, usual_rate_hz=rate_hz)


def _asked(settings: BoardSettings, given: dict[str, Any]) -> BoardSettings:
    """Ask for whatever no option said, with what there is as the answer of Enter."""
    from anviltrace.firmware import DEFAULT_PINS, has_reference
    from anviltrace.install.boards import BOARDS

    if given["board"] is None:
        for name, kind in BOARDS.items():
            click.echo(f"  {name:8} {kind.words}", err=True)
        settings = replace(settings, board=_ask("Board", settings.board))
    if given["converter"] is None:
        choice = click.Choice(list(DEFAULT_PINS))
        settings = _with_converter(settings, _ask("Converter", settings.converter, choice))
    if not given["pins"]:
        settings = _asked_pins(settings)
    if settings.converter == "ownadc":
        settings = _asked_amplifier(settings, given)
    if has_reference(settings):
        settings = _asked_excitation(settings, given)
    settings = _asked_rate_and_gain(settings, given)
    return asked_sensors(settings) if given["sensors"] is None else settings


def _asked_pins(settings: BoardSettings) -> BoardSettings:
    """Ask for the pins until the board can be wired so; what was answered becomes the answer of Enter."""
    from anviltrace.install.settingsfile import check_pins_of

    click.echo("Pack out of the tool and USB unplugged before you touch the wiring.", err=True)
    click.echo("Pins by GPIO number (not the number of the pad on the board):", err=True)
    while True:
        settings = _answered_pins(settings)
        if (refusal := refused(check_pins_of, replace(settings, sensors=()))) is None:
            return settings
        click.echo(f"{refusal}. The pins once more:", err=True)


def _answered_pins(settings: BoardSettings) -> BoardSettings:
    from anviltrace.firmware import BUSES, PINS_NEEDED, PINS_POSSIBLE

    pins: dict[str, int | None] = dict(settings.wiring())
    for name in PINS_POSSIBLE[settings.converter]:
        label = f"  number of the {BUSES[name]}" if name in BUSES else f"  {name}"
        if name not in PINS_NEEDED[settings.converter]:
            label += f" ({NOT_WIRED}: none)" if name in BUSES else f" ({NOT_WIRED}: not wired)"
        usual = str(pins.get(name, NOT_WIRED))
        pins[name] = click.prompt(label, default=usual, value_proc=to_pin, err=True)
    return replace(settings, pins=_wired(pins))


def _wired(pins: dict[str, int | None]) -> dict[str, int]:
    return {name: pin for name, pin in pins.items() if pin is not None}


def _asked_amplifier(settings: BoardSettings, given: dict[str, Any]) -> BoardSettings:
    """What stands before the board's own ADC. A gain that changed is no choice that was made for it."""
    if given["amplifier_gain"] is None:
        words = "Gain of the instrumentation amplifier"
        gain = _ask(words, settings.amplifier_gain, click.IntRange(1))
        settings = replace(settings, amplifier_gain=gain, usual_gain=None)
    words = "Is ADC_VREF fed from the excitation of the bridge"
    ratio = click.confirm(words, default=settings.reference_is_excitation, err=True)
    if ratio != settings.reference_is_excitation:
        settings = replace(settings, reference_is_excitation=ratio)
    if not ratio and given["reference_v"] is None:
        reference_v = _ask("Voltage at ADC_VREF in V", OWN_REFERENCE_V, click.FloatRange(2.0, 3.6))
        settings = replace(settings, reference_uv=round(MICRO * reference_v))
    return settings


def _asked_excitation(settings: BoardSettings, given: dict[str, Any]) -> BoardSettings:
    if given["excitation_v"] is None:
        volts = _ask(
            "Excitation of the bridge in V", settings.excitation_uv / MICRO, click.FloatRange(0.1, 20)
        )
        settings = replace(settings, excitation_uv=round(MICRO * volts))
    if given["measured"] is None:
        words = "Was that measured with a meter, at the bridge (else no mV/V is stated)"
        measured = click.confirm(words, default=settings.excitation_measured, err=True)
        settings = replace(settings, excitation_measured=measured)
    return settings


def _asked_rate_and_gain(settings: BoardSettings, given: dict[str, Any]) -> BoardSettings:
    from anviltrace.firmware import RATES_HZ, gains, rates_hz

    strapped = settings.converter == "hx711"
    offers = RATES_HZ["hx711"] if strapped else rates_hz(settings)
    rates, choices = ([f"{one:g}" for one in some] for some in (offers, gains(settings)))
    if given["rate_hz"] is None:
        words = "Samples per second, as its RATE pin is strapped" if strapped else "Samples per second"
        now = settings.rate_hz if strapped else settings.usual_rate_hz or _sure_rate_hz(settings)
        settings = _with_rate(settings, float(_ask(words, f"{now:g}", click.Choice(rates))))
    if given["gain"] is None and len(choices) > 1:
        now = settings.usual_gain or max(gains(settings))
        settings = replace(settings, usual_gain=int(_ask("Gain", str(now), click.Choice(choices))))
    return settings


def _sure_rate_hz(settings: BoardSettings) -> float:
    from anviltrace.firmware import rates_hz

    offers = rates_hz(settings)
    if settings.converter in BY_DMA:
        return max(offers)
    most_hz = SURE_BY_PIO_HZ if "pio" in settings.wiring() else SURE_RATE_HZ
    return max(rate_hz for rate_hz in offers if rate_hz <= most_hz)


def _ask(words: str, usual: Any, kind: Any = None) -> Any:
    return click.prompt(words, default=usual, type=kind, err=True)
