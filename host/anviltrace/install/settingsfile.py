"""``settings.py``, the one file a builder edits: read without running it, and written with its comments."""

from __future__ import annotations

import ast
import json
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any

from anviltrace.errors import PlanError
from anviltrace.firmware import BoardSettings, check, check_wiring, device_folder
from anviltrace.install.boards import check_pins

_DOCSTRING = '''"""Pins and parts of THIS rig: the one file a builder edits.

Written by anviltrace board setup. Battery out of the tool before you touch the wiring.
"""'''

_LINK_PARTS = 5


def read_settings(path: Path) -> BoardSettings:
    """The settings in a file, checked.

    Raises:
        PlanError: it cannot be read, says something else than ``NAME = value``, lacks a name or has a
            strange one, or no board can be built that way.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read: {error}; write one with anviltrace board setup") from error
    settings = _settings_from(_assigned(text, path), path)
    check_settings(settings)
    return settings


def check_settings(settings: BoardSettings) -> None:
    """Raise PlanError when no board, or not this kind of board, can be built that way."""
    check(settings)
    check_pins(settings)


def check_pins_of(settings: BoardSettings) -> None:
    """Raise PlanError when a pin is missing, used twice, not on the board, or cannot do its job."""
    check_wiring(settings)
    check_pins(settings)


def settings_document(settings: BoardSettings, there: str | None = None) -> str:
    """``settings.py``: the text that is there, else the example of the device files, with these values.

    Comments stay, and so does every line whose value is the same.
    """
    example = (device_folder() / "settings.py").read_text(encoding="utf-8")
    text = example if there is None else there
    lines = text.rstrip("\n").split("\n")
    values = _values(settings)
    for node in reversed(ast.parse(text).body):
        first, last = node.lineno - 1, node.end_lineno or node.lineno
        if isinstance(node, ast.Assign) and isinstance(target := node.targets[0], ast.Name):
            if ast.literal_eval(node.value) != values[target.id]:
                before = lines[first].encode()[: node.col_offset].decode()
                behind = lines[last - 1].encode()[node.end_col_offset :].decode()
                said = f"{before}{target.id} = {_literal(values[target.id])}{behind}"
                lines[first:last] = said.split("\n")
        elif there is None:
            lines[first:last] = _DOCSTRING.split("\n")
    return "\n".join(lines) + "\n"


def _values(settings: BoardSettings) -> dict[str, Any]:
    named = {field.name.upper(): getattr(settings, field.name) for field in fields(settings)}
    return named | {"PINS": settings.wiring()}


def _literal(value: Any) -> str:
    """As Python, whole numbers of a million and more in groups of three, texts in double quotes."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool) or not isinstance(value, int | dict | tuple):
        return repr(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_literal(key)}: {_literal(item)}" for key, item in value.items()) + "}"
    if isinstance(value, tuple) and any(isinstance(item, dict) for item in value):
        return "(\n" + "".join(f"    {_literal(item)},\n" for item in value) + ")"
    if isinstance(value, tuple):
        return "(" + ", ".join(map(_literal, value)) + ")"
    return f"{value:_}" if value >= 100_000 else str(value)


def _assigned(text: str, path: Path) -> dict[str, Any]:
    """The names a file assigns literals to."""
    try:
        tree = ast.parse(text)
    except (SyntaxError, ValueError) as error:
        raise PlanError(f"{path} is not Python: {error}; correct it") from error
    found: dict[str, Any] = {}
    for node in tree.body:
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            continue
        try:
            if not (isinstance(node, ast.Assign) and isinstance(target := node.targets[0], ast.Name)):
                raise ValueError
            found[target.id] = ast.literal_eval(node.value)
        except ValueError:
            raise PlanError(f"{path}, line {node.lineno}: only NAME = value may stand there") from None
    return found


def _settings_from(found: dict[str, Any], path: Path) -> BoardSettings:
    known = {field.name.upper(): field for field in fields(BoardSettings)}
    if strange := [name for name in found if name not in known]:
        raise PlanError(f"{path}: nothing is called {strange[0]}; there are {', '.join(known)}")
    for name, field in known.items():
        if name not in found:
            usual = _values(BoardSettings())[name]
            raise PlanError(f"{path} lacks {name}: add the line {name} = {_literal(usual)}, or another value")
        if not _fits(field.name, found[name], field.default):
            raise PlanError(
                f"{path}: {name} = {found[name]!r} is not of the right kind; see device/settings.py"
            )
    return BoardSettings(**{name.lower(): value for name, value in found.items()})


def _fits(name: str, value: Any, usual: Any) -> bool:
    if name == "pins":
        return isinstance(value, dict) and all(_is_pin(pin) for pin in value.values())
    if name == "sensors":
        return isinstance(value, tuple) and all(isinstance(sensor, dict) for sensor in value)
    if name == "link":
        numbers = value[1:] if isinstance(value, tuple) and len(value) == _LINK_PARTS else ()
        return value == "usb" or bool(numbers and value[0] == "uart" and all(map(_is_pin, numbers)))
    if usual is None or usual is MISSING:
        return value is None or (isinstance(value, int | float) and not isinstance(value, bool))
    return type(value) is type(usual)


def _is_pin(value: Any) -> bool:
    return type(value) is int and value >= 0
