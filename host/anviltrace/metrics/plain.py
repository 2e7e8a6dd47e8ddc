"""Frozen dataclasses as plain data for JSON and back, exact to the last bit.

Known: dataclasses, tuples, mappings, enums of text, arrays of NumPy, None, and what JSON has. Numbers survive
exactly: Python writes the shortest digits that read back as the same float, infinities by name.
"""

from __future__ import annotations

import base64
import dataclasses
import types
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np


def to_plain(thing: Any) -> Any:
    """Plain data of a thing; raises TypeError for a kind of thing not listed above."""
    if thing is None or isinstance(thing, bool | int | float | str):
        return thing.value if isinstance(thing, StrEnum) else thing
    if isinstance(thing, np.generic):
        return thing.item()
    if isinstance(thing, np.ndarray):
        data = base64.b64encode(np.ascontiguousarray(thing).tobytes()).decode("ascii")
        return {"dtype": thing.dtype.str, "shape": list(thing.shape), "data": data}
    if isinstance(thing, bytes):
        return base64.b64encode(thing).decode("ascii")
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return {field.name: to_plain(getattr(thing, field.name)) for field in dataclasses.fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): to_plain(value) for key, value in thing.items()}
    if isinstance(thing, tuple | list):
        return [to_plain(item) for item in thing]
    raise TypeError(f"{type(thing).__name__} cannot be made plain data")


def from_plain(kind: Any, data: Any) -> Any:
    """What :func:`to_plain` made ``data`` from, a thing of the type ``kind`` (no mappings).

    Raises KeyError, TypeError or ValueError where the data is not of that type.
    """
    if data is None:
        return None
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return from_plain(next(one for one in arguments if one is not type(None)), data)
    if origin is tuple:
        inner = arguments if len(arguments) == len(data) and Ellipsis not in arguments else None
        kinds = inner or [arguments[0]] * len(data)
        return tuple(from_plain(one, item) for one, item in zip(kinds, data, strict=True))
    if origin is np.ndarray or kind is np.ndarray:
        flat = np.frombuffer(base64.b64decode(data["data"]), dtype=np.dtype(data["dtype"]))
        return flat.reshape(data["shape"]).copy()
    if dataclasses.is_dataclass(kind):
        make: Any = kind
        return make(**{name: from_plain(hint, data[name]) for name, hint in _hints(make).items()})
    return kind(data) if isinstance(kind, type) and issubclass(kind, StrEnum | float) else data


@cache
def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in dataclasses.fields(kind)}
