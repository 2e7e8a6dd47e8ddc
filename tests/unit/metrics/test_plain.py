"""Results survive being written down, to the last bit."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.metrics.plain import from_plain, to_plain
from anviltrace.metrics.results import BlowTable, Value
from anviltrace.records import RigKind


@dataclass(frozen=True)
class Thing:
    kind: RigKind
    pair: tuple[float, str]
    many: tuple[Value, ...]
    blows: np.ndarray
    inner: Value | None = None


def written(thing: object) -> object:
    """As it comes out of a file."""
    return json.loads(json.dumps(to_plain(thing)))


@given(
    value=st.none() | st.floats(allow_nan=False),
    at_s=st.none() | st.floats(allow_nan=False),
    flags=st.lists(st.text(), max_size=3),
)
def test_values(value: float | None, at_s: float | None, flags: list[str]):
    one = Value("peak_mean", value, value, math.inf, 0.1, at_s=at_s, flags=tuple(flags))
    assert from_plain(Value, written(one)) == one


@given(st.lists(st.floats(), max_size=20))
def test_arrays_keep_every_bit(numbers: list[float]):
    array = np.array(numbers, dtype=np.float64)
    assert from_plain(np.typing.NDArray[np.float64], written(array)).tobytes() == array.tobytes()


def test_things_within_things():
    one = Value("blow_rate", 1 / 3)
    thing = Thing(RigKind.HELD, (0.1, "x"), (one, one), np.array([[1.5, np.nan], [np.inf, -0.0]]), one)
    again = from_plain(Thing, written(thing))
    assert (again.kind, again.pair, again.many, again.inner) == (RigKind.HELD, (0.1, "x"), (one, one), one)
    assert isinstance(again.kind, RigKind)
    np.testing.assert_array_equal(again.blows, thing.blows)


def test_what_is_not_known_is_refused():
    with pytest.raises(TypeError, match="complex cannot be made plain data"):
        to_plain(1j)
    with pytest.raises(KeyError):
        from_plain(BlowTable, {"start_s": None})
