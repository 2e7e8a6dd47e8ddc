"""The temperature at the start and the end of a calibration: options, and questions to a person."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import finite

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.records import Calibration, Session

LEAST_C, MOST_C = -40.0, 85.0
"""Where gauges and their glue still work (from memory); anything else is a slip of the pen."""


@dataclass(frozen=True, slots=True)
class Thermometer:
    """What the options say; a person is asked for what they leave open, and may not know."""

    start_c: float | None = None
    end_c: float | None = None
    within_k: float = 0.5

    def read_start(self, archive: Archive, session: Session, calibration: Calibration, person: bool) -> None:
        """Keep the temperature before the first reading; one that is on record already stays."""
        from anviltrace.capture.temperatures import keep_temperature, temperatures_of

        if (there := temperatures_of(archive, calibration).start) is not None:
            if self.start_c is not None:
                click.echo(f"Kept: {there.temperature_c:g} °C at the start, as on record.", err=True)
            return
        start_c = ask_temperature() if person and self.start_c is None else self.start_c
        if start_c is not None:
            keep_temperature(archive, calibration, session.id, start_c, self.within_k)

    def read_end(self, archive: Archive, session: Session, calibration: Calibration, person: bool) -> None:
        """Keep the temperature after the last reading, and say what is to be thought of both."""
        from anviltrace.capture.temperatures import keep_temperature, temperatures_of

        end_c = ask_temperature() if person and self.end_c is None else self.end_c
        if end_c is not None:
            keep_temperature(archive, calibration, session.id, end_c, self.within_k)
        for flag in temperatures_of(archive, calibration).flags:
            click.echo(f"TEMPERATURE: {flag}.", err=True)


def ask_temperature() -> float | None:
    """What a person reads at the transducer, in °C; None where nobody measured it."""
    asked = "Temperature at the transducer in °C, empty: not measured"
    while True:
        answer = str(click.prompt(asked, default="", show_default=False, err=True)).strip()
        if not answer:
            return None
        try:
            value = float(answer.replace(",", "."))
        except ValueError:
            click.echo(f"“{answer}” is no number: type for instance 21.5", err=True)
            continue
        if LEAST_C <= value <= MOST_C:
            return value
        click.echo(f"{value:g} °C lies outside {LEAST_C:g} to {MOST_C:g} °C: look again", err=True)


def temperature_options(command: Callable[..., None]) -> Callable[..., None]:
    """Hands a command a :class:`Thermometer` called ``thermometer``."""

    @functools.wraps(command)
    def with_thermometer(
        *arguments: Any,
        temperature_c: float | None,
        temperature_end_c: float | None,
        temperature_within_k: float,
        **named: Any,
    ) -> None:
        thermometer = Thermometer(temperature_c, temperature_end_c, temperature_within_k)
        command(*arguments, thermometer=thermometer, **named)

    within = click.option(
        "--temperature-within", "temperature_within_k", type=click.FloatRange(0.01, 20.0), callback=finite,
        default=0.5, show_default=True, metavar="K", help="How well the thermometer is known, ±.",
    )  # fmt: skip
    end = click.option(
        "--temperature-end", "temperature_end_c", type=click.FloatRange(LEAST_C, MOST_C), callback=finite,
        metavar="°C", help="The same after the last reading.",
    )  # fmt: skip
    start = click.option(
        "--temperature", "temperature_c", type=click.FloatRange(LEAST_C, MOST_C), callback=finite,
        metavar="°C", help="Temperature at the transducer before the first reading; a person is asked.",
    )  # fmt: skip
    return start(end(within(with_thermometer)))
