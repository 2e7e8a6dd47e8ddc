"""``anviltrace board list``: the serial ports with what they say they are."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import json_option, print_json

if TYPE_CHECKING:
    from anviltrace.link.identity import Identity


@click.command("list")
@click.option("--ask", is_flag=True, help="Ask each port listed whether an anviltrace board is on it.")
@click.option("--all", "all_ports", is_flag=True, help="Ports without USB device too.")
@json_option
def list_boards(ask: bool, all_ports: bool, as_json: bool) -> None:
    """List the serial ports with what they say they are.

    What is printed is what the device reports about itself. Nothing is sent to any port unless you --ask:
    then bytes go to every port listed, so disconnect machines that might take them for orders.

    \b
    Example:
      anviltrace board list --ask
    """
    from anviltrace.link.ports import ask_port, serial_ports

    found = serial_ports()
    shown = [port for port in found if all_ports or port.usb_id is not None]
    answers = {port.device: ask_port(port.device) for port in shown} if ask else {}
    if as_json:
        print_json([asdict(port) | _answer_as_data(answers.get(port.device)) for port in shown])
        return
    _show([asdict(port) for port in shown], answers)
    if hidden := len(found) - len(shown):
        click.echo(f"{hidden} without USB device not shown: --all", err=True)
    if not shown:
        click.echo("No USB serial port: plug the board in, with a cable that carries data.", err=True)


def _answer_as_data(answer: Identity | str | None) -> dict[str, Any]:
    if answer is None:
        return {}
    if isinstance(answer, str):
        return {"board": None, "no_board_because": answer}
    return {"board": answer.board, "unique_id": answer.unique_id, "converter": answer.converter}


def _show(ports: list[dict[str, Any]], answers: dict[str, Identity | str]) -> None:
    from rich.table import Table

    from anviltrace.cli.console import print_table

    if not ports:
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("port", "says it is", "number", "USB id", *(("asked",) if answers else ())):
        table.add_column(heading)
    for port in ports:
        says = " ".join(filter(None, (port["manufacturer"], port["product"]))) or port["description"] or "–"
        asked = [_answer_in_words(answers[port["device"]])] if answers else []
        table.add_row(port["device"], says, port["serial_number"] or "–", port["usb_id"] or "–", *asked)
    print_table(table)


def _answer_in_words(answer: Identity | str) -> str:
    if isinstance(answer, str):
        return f"no: {answer}"
    return f"board {answer.board}, number {answer.unique_id}, {answer.converter}"
