"""The side sensors of ``anviltrace board setup``: read from options, or asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from anviltrace.firmware import BoardSettings

NONE = "none"
Sensors = tuple[dict[str, str | int], ...]


def to_sensors(
    ctx: click.Context,  # noqa: ARG001
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> tuple[dict[str, Any], ...] | None:
    """Callback that reads KIND,NAME=NUMBER,...; an empty tuple for ``none``, None where nothing was said."""
    if not values:
        return None
    return tuple(_sensor(text) for text in values if text != NONE)


def _sensor(text: str) -> dict[str, Any]:
    kind, *facts = [part.strip() for part in text.split(",")]
    sensor: dict[str, Any] = {"sensor": kind}
    for fact in facts:
        name, _, number = fact.partition("=")
        try:
            sensor[name] = int(number, 0)
        except ValueError:
            raise click.BadParameter(f"{fact!r} is not NAME=NUMBER, for instance scl=7") from None
    return sensor


def with_sensors(settings: BoardSettings, given: tuple[dict[str, Any], ...] | None) -> BoardSettings:
    """The settings with the sensors that the options name, as they were when none was named."""
    from anviltrace.firmware import with_usual_wiring

    if given is None:
        return settings
    return replace(settings, sensors=tuple(with_usual_wiring(sensor) for sensor in given))


def refused(check: Callable[[BoardSettings], None], settings: BoardSettings) -> str | None:
    """Why a check refuses what was answered; None where it does not."""
    from anviltrace.errors import PlanError

    try:
        check(settings)
    except PlanError as error:
        return str(error)
    return None


def asked_sensors(settings: BoardSettings) -> BoardSettings:
    """Ask which sensors there are, then for the pins and facts of each, until the board can be wired so."""
    from anviltrace.install.settingsfile import check_settings

    while True:
        kinds = _asked_kinds(settings)
        before = list(settings.sensors)
        settings = replace(settings, sensors=tuple(_asked_sensor(kind, before) for kind in kinds))
        if (refusal := refused(check_settings, settings)) is None:
            return settings
        click.echo(f"{refusal}. The side sensors once more:", err=True)


def _asked_kinds(settings: BoardSettings) -> list[str]:
    from anviltrace.firmware import SENSOR_PINS

    usual = ",".join(str(sensor["sensor"]) for sensor in settings.sensors) or NONE
    words = f"Side sensors, with commas between ({', '.join(SENSOR_PINS)}, or {NONE})"
    while True:
        text = click.prompt(words, default=usual, err=True).strip()
        kinds = [] if text == NONE else [kind.strip() for kind in text.split(",") if kind.strip()]
        if not (unknown := [kind for kind in kinds if kind not in SENSOR_PINS]):
            return kinds
        click.echo(f"{unknown[0]!r} is not one of {', '.join(SENSOR_PINS)}.", err=True)


def _asked_sensor(kind: str, before: list[dict[str, str | int]]) -> dict[str, str | int]:
    """Ask for one; the next of its kind that was there before gives the answers of Enter."""
    from anviltrace.firmware import BUSES, SENSOR_FACTS, SENSOR_PINS, with_usual_wiring

    places = [place for place, sensor in enumerate(before) if sensor["sensor"] == kind]
    sensor = with_usual_wiring(before.pop(places[0]) if places else {"sensor": kind})
    click.echo(f"{kind}:", err=True)
    for name in SENSOR_PINS[kind]:
        label = f"  number of the {BUSES[name]}" if name in BUSES else f"  {name}"
        sensor[name] = click.prompt(label, default=sensor[name], type=click.IntRange(0), err=True)
    if "shunt_uohm" in SENSOR_FACTS[kind]:
        words = "  shunt in millionths of an ohm"
        sensor["shunt_uohm"] = click.prompt(words, default=sensor["shunt_uohm"], type=int, err=True)
    return sensor
