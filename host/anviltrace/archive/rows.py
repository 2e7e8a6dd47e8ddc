"""Records to rows and back: the one place that knows how a field of ``records.py`` lies in a table."""

from __future__ import annotations

import json
import math
import re
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from anviltrace.records import (
    Arm,
    Authorisation,
    Board,
    Calibration,
    CheckReading,
    Claim,
    Decision,
    Fitting,
    Gap,
    LoadStep,
    Mass,
    Notice,
    Origin,
    Plan,
    Rating,
    Remark,
    Rig,
    RingDown,
    Run,
    Session,
    Settings,
    Shunt,
    ShuntReading,
    SideChannel,
    Supply,
    Temperature,
    Tool,
    Zero,
)

Record = (
    Rig
    | Fitting
    | Board
    | Settings
    | Tool
    | Claim
    | Supply
    | Plan
    | Session
    | Run
    | Zero
    | Origin
    | SideChannel
    | Rating
    | Mass
    | Arm
    | Calibration
    | LoadStep
    | CheckReading
    | Shunt
    | ShuntReading
    | RingDown
    | Temperature
    | Authorisation
    | Remark
    | Gap
    | Notice
    | Decision
)
R = TypeVar("R", bound=Record)

_ORDER = {
    Session: "started_at, rowid",
    Run: "started_at, rowid",
    Zero: "taken_at, rowid",
    Calibration: "taken_at, rowid",
    LoadStep: "calibration_id, number",
    CheckReading: "taken_at, rowid",
    ShuntReading: "taken_at, rowid",
    RingDown: "taken_at, rowid",
    Temperature: "taken_at, rowid",
    Authorisation: "at, rowid",
    Remark: "at, rowid",
    Gap: "run_id, first_index",
    Notice: "number",
    Decision: "at, rowid",
    SideChannel: "added_at, rowid",
    Rating: "at, rowid",
}
"""How rows of a table come out; the others come in the order they were put in."""


@dataclass(frozen=True, slots=True)
class Table:
    """The table of one kind of record: one column per field, under the same name."""

    name: str
    columns: tuple[str, ...]
    readers: tuple[Callable[[Any], Any], ...]
    insert_sql: str
    select_sql: str
    order: str


def table_of(kind: type[Any]) -> Table:
    """The table of a kind of record."""
    return _TABLES[kind]


def insert(connection: sqlite3.Connection, record: Record) -> None:
    """Add one row."""
    connection.execute(table_of(type(record)).insert_sql, to_row(record))


def update(connection: sqlite3.Connection, record: Run | Session | SideChannel, names: Sequence[str]) -> None:
    """Write the named fields of a record that is already there."""
    columns = ", ".join(f'"{name}" = ?' for name in names)
    values = [_stored(name, getattr(record, name)) for name in names]
    name = table_of(type(record)).name
    connection.execute(f"UPDATE {name} SET {columns} WHERE id = ?", [*values, record.id])


def select(connection: sqlite3.Connection, kind: type[R], equal: dict[str, Any]) -> list[R]:
    """All records of one kind whose fields equal those given, in the order of the table.

    Raises:
        ValueError: the kind has no field of that name.
    """
    table = table_of(kind)
    unknown = [name for name in equal if name not in table.columns]
    if unknown:
        raise ValueError(f"a {table.name} has no field {unknown[0]!r}; it has {', '.join(table.columns)}")
    where = " AND ".join(f'"{name}" IS ?' for name in equal) or "1"
    values = [_stored(name, value) for name, value in equal.items()]
    found = connection.execute(f"{table.select_sql} WHERE {where} ORDER BY {table.order}", values)
    return [from_row(kind, row) for row in found]


def to_row(record: Record) -> list[Any]:
    """The values of a record in the order of its fields.

    Raises:
        ValueError: a number is NaN or infinite, which no field of the archive may be.
    """
    return [_stored(name, getattr(record, name)) for name in table_of(type(record)).columns]


def from_row(kind: type[R], row: Sequence[Any]) -> R:
    """The record that :func:`to_row` made the row from."""
    return kind(*(read(value) for read, value in zip(table_of(kind).readers, row, strict=True)))


def _stored(name: str, value: Any) -> Any:
    if isinstance(value, tuple):
        return json.dumps([_stored(name, item) for item in value])
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{name} is {value}: the archive takes finite numbers, or None for an unknown one")
    return value.value if isinstance(value, StrEnum) else value


def _table(kind: Any) -> Table:
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", kind.__name__).lower()
    hints = get_type_hints(kind)
    columns = tuple(field.name for field in fields(kind))
    quoted = ", ".join(f'"{column}"' for column in columns)
    marks = ", ".join("?" for _ in columns)
    return Table(
        name=name,
        columns=columns,
        readers=tuple(_reader(hints[column]) for column in columns),
        insert_sql=f"INSERT INTO {name} ({quoted}) VALUES ({marks})",
        select_sql=f"SELECT {quoted} FROM {name}",
        order=_ORDER.get(kind, "rowid"),
    )


def _reader(hint: Any) -> Callable[[Any], Any]:
    if get_origin(hint) is tuple:
        return lambda text: tuple(json.loads(text))
    if isinstance(hint, type) and issubclass(hint, StrEnum | bool):
        return hint
    return lambda value: value


_TABLES: dict[Any, Table] = {kind: _table(kind) for kind in get_args(Record)}
