"""``anviltrace board watch``: live readings, for wiring and trying; nothing is recorded."""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import finite, gain_option, port_option, rate_option

if TYPE_CHECKING:
    from anviltrace.link.events import Event
    from anviltrace.link.watching import Look
    from anviltrace.records import Settings


@click.command()
@port_option
@rate_option
@gain_option
@click.option(
    "--seconds",
    "seconds",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="End after so many seconds of samples; else Ctrl-C ends it.",
)
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.05, max=60.0),
    default=1.0,
    show_default=True,
    callback=finite,
    help="Seconds of samples in a line.",
)
@click.option("--json", "as_json", is_flag=True, help="Print each line as a JSON object on stdout.")
def watch(
    port_url: str,
    rate_hz: float | None,
    gain: int | None,
    seconds: float | None,
    every_s: float,
    as_json: bool,
) -> None:
    """Show what the converter reads; nothing is recorded.

    A line a second: counts, mV/V, noise, rate.

    Noise is the standard deviation within the line: leave the rig alone to see the noise alone. The rate is
    measured against the board's clock. mV/V is shown where the converter divides by the excitation or a
    meter measured that; else mV. Side sensors show their latest value.

    Pack out of the tool while you have your hands at the wiring.

    \b
    Example:
      anviltrace board watch --port virtual://deadweight-hx711 --seconds 5
    """
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session
    from anviltrace.link.watching import watch as looks_of

    with Session(open_port(port_url)) as session, contextlib.suppress(KeyboardInterrupt):
        settings = session.configure(rate_hz, gain)
        if not as_json:
            _show_settings(settings, session.identity.converter)
            for sensor in session.sensors:
                click.echo(f"side sensor {sensor}", err=True)
        with contextlib.closing(looks_of(session, settings, every_s, _tell)) as looks:
            for look in looks:
                click.echo(_as_json(look, settings) if as_json else _line(look, settings))
                if seconds is not None and look.end_s >= seconds - every_s / 2:
                    break


def _show_settings(settings: Settings, converter: str) -> None:
    click.echo(f"{converter}, {settings.rate_hz:g} S/s, gain {settings.gain}; Ctrl-C ends", err=True)


def _tell(event: Event) -> None:
    click.echo(f"the board says: {getattr(event, 'text', event)}", err=True)


def _as_json(look: Look, settings: Settings) -> str:
    from anviltrace.link.watching import unit_per_count

    facts: dict[str, Any] = asdict(look)
    facts["sides"] = {
        quantity: {"value": value, "unit": unit} for quantity, value, unit in facts.pop("sides")
    }
    if scale := unit_per_count(settings):
        per_count, unit = scale
        name = {"mV/V": "mv_per_v", "mV": "mv"}[unit]
        facts[f"mean_{name}"] = look.mean_counts * per_count
        facts[f"noise_{name}"] = None if look.noise_counts is None else look.noise_counts * per_count
    return json.dumps(facts, allow_nan=False)


def _line(look: Look, settings: Settings) -> str:
    from anviltrace.link.watching import unit_per_count

    scale = unit_per_count(settings)
    reading = noise = ""
    if scale:
        per_count, unit = scale
        reading = f"{look.mean_counts * per_count:+10.5f} {unit}"
        noise = (
            "" if look.noise_counts is None else f" = {look.noise_counts * per_count * 1e3:.3f} µ{unit[1:]}"
        )
    scatter = "–" if look.noise_counts is None else f"{look.noise_counts:.1f} counts{noise}"
    rate = "–" if look.rate_hz is None else f"{look.rate_hz:.2f}"
    words = f"{look.end_s:8.1f} s  {look.mean_counts:+12.1f} counts  {reading}  noise {scatter}  {rate} S/s"
    if look.saturated:
        words += f"  OUT OF RANGE: {look.saturated} samples"
    words += f"  lost: {look.lost} samples" if look.lost else ""
    sides = ", ".join(f"{name} {value:.4g} {unit.strip('1')}".rstrip() for name, value, unit in look.sides)
    return words + (f"\n            {sides}" if sides else "")
