"""``anviltrace board``: talk to the board of the rig."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.board_check import check
from anviltrace.cli.board_install import install
from anviltrace.cli.board_list import list_boards
from anviltrace.cli.board_setup import setup
from anviltrace.cli.board_watch import watch
from anviltrace.cli.console import print_words
from anviltrace.cli.options import json_option, port_option, print_json
from anviltrace.cli.tap import tap

if TYPE_CHECKING:
    from anviltrace.link.identity import GainOffer, Identity
    from anviltrace.link.sensors import Sensor


@click.group()
def board() -> None:
    """Talk to the board of the rig."""


board.add_command(list_boards)
board.add_command(setup)
board.add_command(install)
board.add_command(check)
board.add_command(tap)
board.add_command(watch)


@board.command()
@port_option
@json_option
def identify(port_url: str, as_json: bool) -> None:
    """Say which board is on the port, and what it has.

    Script, converter, the rates and gains on offer, side sensors. A run that an earlier program left going
    is stopped.

    \b
    Example:
      anviltrace board identify --port virtual://fishplate-sensors
    """
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session

    with Session(open_port(port_url)) as session:
        identity, sensors = session.identity, session.sensors
    if as_json:
        print_json(describe(identity) | {"sensors": [describe_sensor(sensor) for sensor in sensors]})
    else:
        _show(identity)
        for sensor in sensors:
            click.echo(f"side sensor  {sensor}")
    if not identity.converter_ok:
        click.echo("The converter did not answer at power-up: check its wiring and supply.", err=True)


def describe(identity: Identity) -> dict[str, Any]:
    """An identity as plain data: units are in the names."""
    full_scale = f"full_scale_{'mv_per_v' if identity.scale_kind.value == 'mV/V' else 'v'}"
    return {
        "board": identity.board,
        "unique_id": identity.unique_id,
        "script_version": identity.firmware_version,
        "protocol_version": identity.protocol_version,
        "was_streaming": identity.streaming,
        "converter": identity.converter,
        "converter_ok": identity.converter_ok,
        "code_bits": identity.code_bits,
        "excitation_v": identity.excitation_v,
        "excitation_source": identity.excitation_source,
        "rates": [
            {"rate_hz": offer.rate_hz, "group_delay_s": offer.group_delay_s} for offer in identity.rates
        ],
        "gains": [{"gain": offer.gain, full_scale: offer.full_scale} for offer in identity.gains],
        "link_bytes_per_s": identity.link_bytes_per_s,
        "window_blocks": identity.window_blocks,
        "burst_samples": identity.burst_samples,
    }


def describe_sensor(sensor: Sensor) -> dict[str, Any]:
    """A side sensor as plain data."""
    return {
        "name": sensor.name,
        "answers": sensor.answers,
        "trouble": sensor.trouble,
        "rate_hz": sensor.rate_hz,
        "channels": [
            {"quantity": channel.quantity, "unit": channel.unit, "per_count": channel.per_count}
            for channel in sensor.channels
        ],
    }


def _show(identity: Identity) -> None:
    volts = "" if identity.excitation_v is None else f"{identity.excitation_v:g} V, "
    rates = ", ".join(f"{offer.rate_hz:g}" for offer in identity.rates)
    gains = ", ".join(f"{offer.gain} (±{_full_scale(offer, identity)})" for offer in identity.gains)
    answers = "" if identity.converter_ok else ", does not answer"
    for label, text in (
        ("board", f"{identity.board}, number {identity.unique_id}"),
        ("script", f"{identity.firmware_version}, wire protocol {identity.protocol_version}"),
        ("converter", f"{identity.converter}, {identity.code_bits} bits{answers}"),
        ("excitation", f"{volts}{identity.excitation_source}"),
        ("rates", f"{rates} S/s"),
        ("gains", gains),
        ("link", _link(identity)),
        ("memory", f"sends its last {identity.window_blocks} blocks again; bursts of up to "
         f"{identity.burst_samples} samples"),
    ):  # fmt: skip
        print_words(text, f"{label:<13}", " " * 13)


def _full_scale(offer: GainOffer, identity: Identity) -> str:
    """What a gain takes in, below a volt in millivolts."""
    if identity.scale_kind.value == "V" and offer.full_scale < 1.0:
        return f"{1000.0 * offer.full_scale:.5g} mV"
    return f"{offer.full_scale:.5g} {identity.scale_kind.value}"


def _link(identity: Identity) -> str:
    """What the link carries, and the rates on offer that are too much for it."""
    from anviltrace.link.burst import why_not_carried

    if identity.link_bytes_per_s is None:
        return "USB, or something else of unknown speed"
    over = [f"{offer.rate_hz:g}" for offer in identity.rates if why_not_carried(identity, offer.rate_hz)]
    too_fast = f"; in bursts only: {', '.join(over)} S/s" if over else ""
    return f"{identity.link_bytes_per_s} bytes/s{too_fast}"
