"""The nouns: ids, times, signs, and what one count is worth."""

from __future__ import annotations

import re
import uuid
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime

import pytest
from workshop import workshop

from anviltrace.records import Notice, Rotation, ScaleKind, new_id, now_utc


def test_ids_are_fresh_uuids():
    ids = {new_id() for _ in range(100)}
    assert len(ids) == 100
    assert all(str(uuid.UUID(one)) == one and uuid.UUID(one).version == 4 for one in ids)


def test_now_is_utc_to_the_millisecond():
    text = now_utc()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", text)
    assert abs((datetime.now(UTC) - datetime.fromisoformat(text)).total_seconds()) < 5


def test_records_are_frozen_and_compare_by_content():
    tool = workshop().tool
    with pytest.raises(FrozenInstanceError):
        tool.mass_kg = 1.0  # type: ignore[misc]
    assert replace(tool, mass_kg=1.0) != tool
    assert replace(tool) == tool


def test_clockwise_is_positive():
    assert (Rotation.CW.sign, Rotation("ccw").sign) == (1, -1)


def test_a_notice_is_dated_when_it_is_made():
    assert Notice("run", 0, "text", "hello").at.endswith("Z")


def test_a_ratiometric_count_needs_no_excitation():
    """An HX711 at gain 128 has a full scale of half the excitation / 128, 3.90625 mV/V, at code 2**23."""
    settings = replace(
        workshop().settings,
        scale_kind=ScaleKind.RATIO,
        full_scale=3.90625,
        full_scale_code=2**23,
        excitation_v=None,
    )
    assert settings.mv_per_v_per_count == pytest.approx(3.90625 / 2**23, rel=1e-15)


def test_a_voltage_count_needs_a_measured_excitation():
    """78.125 mV at 2**23 - 1 over 4.998 V."""
    settings = workshop().settings
    assert settings.mv_per_v_per_count == pytest.approx(78.125 / (2**23 - 1) / 4.998, rel=1e-15)
    assert replace(settings, excitation_source="nominal").mv_per_v_per_count is None
    assert replace(settings, excitation_v=None).mv_per_v_per_count is None
