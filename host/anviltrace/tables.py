"""TOML files that a person writes, read into frozen dataclasses whose fields state their own limits.

A field is written ``length_m: Annotated[float, Limits(0.05, 3.0)]``; :func:`read_table` fills it from a
parsed TOML table or says which file, key, value and limit do not agree. The field ``class_`` is the key
``class``, a word that Python keeps for itself.
"""

from __future__ import annotations

import dataclasses
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol, TypeVar, get_args, get_origin, get_type_hints

from anviltrace.errors import PlanError

Table = TypeVar("Table")


class _HasName(Protocol):
    @property
    def name(self) -> str: ...


Named = TypeVar("Named", bound=_HasName)

_MOST = 1e15
"""No quantity of a bench is larger; TOML allows whole numbers without end."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Smallest and largest value allowed, both included, in the unit the field's name carries."""

    low: float
    high: float


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The tables of a TOML file, and its text.

    Raises PlanError when the file is missing, unreadable, not UTF-8 or not TOML.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        raise PlanError(
            f"{path}: byte 0x{byte:02x} at {error.start} is not UTF-8; save the file as UTF-8"
        ) from error
    except OSError as error:
        raise PlanError(f"{path}: {error.strerror}; check the name and that you may read it") from error
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{path}: not TOML: {error}; correct that line") from error


def read_table(kind: type[Table], table: object, file: str, where: str) -> Table:
    """A ``kind`` filled from ``table``; ``where`` is its dotted name in ``file``, empty for the whole file.

    Raises PlanError for unknown or missing keys, wrong types and values outside their limits.
    """
    values = as_table(table, file, where)
    fields = {field.name.rstrip("_"): field for field in dataclasses.fields(kind)}  # type: ignore[arg-type]
    for key in values:
        refuse_unknown(key, fields, file, where)
    hints = get_type_hints(kind, include_extras=True)
    read = {
        field.name: _value(values[key], hints[field.name], file, f"{where}.{key}" if where else key)
        for key, field in fields.items()
        if key in values
    }
    missing = [key for key, field in fields.items() if key not in values and _needed(field)]
    if missing:
        raise PlanError(f"{file}: {_place(where)} lacks {missing[0]!r}; add it there")
    return kind(**read)


def read_list(kind: type[Table], tables: Mapping[str, Any], key: str, file: str) -> list[Table]:
    """All tables of a list, written with ``[[key]]`` above each; none where the file has none.

    Raises PlanError as :func:`read_table` does, and when it is no list.
    """
    entries = tables.get(key, [])
    if not isinstance(entries, list):
        raise PlanError(f"{file}: {key} must be a list of tables; write [[{key}]] above each")
    return [read_table(kind, entry, file, f"{key} {number}") for number, entry in enumerate(entries, 1)]


def check_names(names: Sequence[str], key: str, file: str) -> None:
    """PlanError unless every ``[[key]]`` has a name of its own."""
    for name in names:
        if not name.strip():
            raise PlanError(f"{file}: one of [[{key}]] has no name; give it one")
        if names.count(name) > 1:
            raise PlanError(f"{file}: two of [[{key}]] are called {name!r}; give each a name of its own")


def find_named(things: Iterable[Named], name: str, what: str, file: str) -> Named:
    """The thing of this name; PlanError with those there are. ``file`` says in words which file it is."""
    known = {thing.name: thing for thing in things}
    if name not in known:
        there = ", ".join(repr(one) for one in known) or "none"
        raise PlanError(f"the {file} has no {what} {name!r}; it describes: {there}")
    return known[name]


def as_table(value: object, file: str, where: str) -> Mapping[str, Any]:
    """``value`` itself where it is a table, else PlanError."""
    if not isinstance(value, Mapping):
        raise PlanError(f"{file}: {where} = {value!r} must be a table; write it as [{where}]")
    return value


def refuse_unknown(key: str, allowed: Mapping[str, object], file: str, where: str) -> None:
    """PlanError unless ``key`` is one of ``allowed``."""
    if key not in allowed:
        known = ", ".join(sorted(allowed))
        raise PlanError(f"{file}: {_place(where)} does not know {key!r}; use one of: {known}")


def _place(where: str) -> str:
    return f"[{where}]" if where else "the file"


def _needed(field: dataclasses.Field[Any]) -> bool:
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


def _value(value: object, hint: Any, file: str, where: str) -> Any:
    limits = None
    if hasattr(hint, "__metadata__"):
        limits, hint = hint.__metadata__[0], get_args(hint)[0]
    kind = _plain_type(hint)
    if issubclass(kind, StrEnum):
        return _choice(value, kind, file, where)
    if kind in (float, int):
        return _number(value, kind, limits, file, where)
    if not isinstance(value, kind):
        raise PlanError(f"{file}: {where} = {value!r} must be of the kind {kind.__name__}; correct it")
    return value


def _plain_type(hint: Any) -> type:
    """The type itself, also out of ``float | None``."""
    if get_origin(hint) is None:
        return hint if isinstance(hint, type) else next(t for t in get_args(hint) if t is not type(None))
    kind: type = next(t for t in get_args(hint) if t is not type(None))
    return kind


def _choice(value: object, kind: type[StrEnum], file: str, where: str) -> StrEnum:
    choices = [member.value for member in kind]
    if value not in choices:
        raise PlanError(f"{file}: {where} = {value!r} is not possible; use one of: {', '.join(choices)}")
    return kind(value)


def _number(value: object, kind: type, limits: Limits | None, file: str, where: str) -> float:
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or (kind is int and isinstance(value, float) and not value.is_integer())
    ):
        sort = "a whole number" if kind is int else "a number"
        raise PlanError(f"{file}: {where} = {value!r} must be {sort}; correct it")
    if isinstance(value, float) and not math.isfinite(value):
        raise PlanError(f"{file}: {where} = {value!r} is not finite; give a finite number")
    if abs(value) > _MOST:
        raise PlanError(f"{file}: {where} is larger than {_MOST:g}; give a smaller number")
    if limits is not None and not limits.low <= value <= limits.high:
        raise PlanError(
            f"{file}: {where} = {value:g} lies outside {limits.low:g} to {limits.high:g}; correct it"
        )
    return kind(value)  # type: ignore[no-any-return]
