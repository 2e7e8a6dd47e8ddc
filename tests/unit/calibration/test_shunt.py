"""Shunt readings: what they come to, when they count as moved, what is refused before they are taken."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from workshop import fixed_id, workshop

from anviltrace.calibration.shunt import (
    MOVED,
    Shunted,
    bridge_output,
    computed_output,
    full_scale_mv_per_v,
    moved_since,
    refuse_beyond,
    resistor_for,
    work_out,
    worst_move,
)
from anviltrace.errors import CalibrationError
from anviltrace.records import ScaleKind, Shunt, ShuntReading, Spread

SETTINGS = workshop().settings
PER_COUNT = 1000.0 * 0.078125 / 8388607 / 4.998
SHUNT = Shunt(fixed_id(70), "100 kilohm", 100_000.0, 57.7, 350.0, 0.5, Spread.RECTANGULAR)
NET = bridge_output(100_000.0, 350.0) / PER_COUNT


def shunted(net_counts: float = NET, number: int = 71, moved_counts: float = 0.0, sd: float = 5.0) -> Shunted:
    """A reading whose resistor makes ``net_counts``, between zeros that move by ``moved_counts``."""
    reading = ShuntReading(
        id=fixed_id(number), session_id=fixed_id(8), settings_id=fixed_id(4), shunt_id=SHUNT.id,
        calibration_id=None, taken_at=f"2026-05-04T09:{number - 71:02d}:00.000Z",
        before_run_id=fixed_id(201), shunt_run_id=fixed_id(202), after_run_id=fixed_id(203),
        before_counts=1000.0 - 0.5 * moved_counts, shunt_counts=1000.0 + net_counts,
        after_counts=1000.0 + 0.5 * moved_counts, sd_counts=sd, samples=2000,
    )  # fmt: skip
    return Shunted(reading, fixed_id(1), SETTINGS, SHUNT)


@given(st.floats(100.0, 1e8), st.floats(50.0, 20_000.0))
def test_the_inverse_gives_the_resistor_again(resistor_ohm: float, bridge_ohm: float) -> None:
    output = bridge_output(resistor_ohm, bridge_ohm)
    assert 0.0 < output < 500.0
    assert resistor_for(output, bridge_ohm) == pytest.approx(resistor_ohm, rel=1e-9, abs=1e-9 * bridge_ohm)


@pytest.mark.parametrize("mv_per_v", [0.0, -1.0, 500.0, math.nan])
def test_no_resistor_makes_that(mv_per_v: float) -> None:
    with pytest.raises(ValueError, match="mV/V"):
        resistor_for(mv_per_v, 350.0)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_true_rig_agrees_whichever_arm_is_bridged(sign: int) -> None:
    result = work_out(shunted(sign * NET))
    assert result.read is not None
    assert result.difference is not None
    assert result.net_counts == pytest.approx(sign * NET)
    assert result.read.mv_per_v == pytest.approx(0.873471, abs=1e-6)
    assert result.difference.mv_per_v == pytest.approx(0.0, abs=1e-12)
    assert result.agrees is True
    noise = PER_COUNT * 5.0 * math.sqrt(1.5 / 2000 * 1.5)
    assert result.difference.u_mv_per_v == pytest.approx(math.hypot(noise, computed_output(SHUNT).u_mv_per_v))


def test_a_wrong_gain_shows() -> None:
    result = work_out(shunted(1.01 * NET))
    assert result.difference is not None
    assert result.difference.mv_per_v == pytest.approx(0.01 * 0.873471, rel=1e-4)
    assert result.agrees is False


def test_a_zero_that_moves_widens_the_reading() -> None:
    still, moved = work_out(shunted()), work_out(shunted(moved_counts=300.0))
    assert moved.zero_moved_counts == pytest.approx(300.0)
    assert moved.net_counts == pytest.approx(still.net_counts)
    assert moved.net_u_counts == pytest.approx(math.hypot(still.net_u_counts, 300.0 / math.sqrt(12.0)))


@pytest.mark.parametrize("source", ["nominal", "none"])
def test_only_counts_where_nobody_measured_the_excitation(source: str) -> None:
    settings = replace(SETTINGS, excitation_source=source)
    result = work_out(replace(shunted(), settings=settings))
    assert (result.read, result.difference, result.agrees) == (None, None, None)
    assert result.computed.mv_per_v == pytest.approx(0.873471, abs=1e-6)
    assert "Only counts" in result.cannot_tell[0]


@pytest.mark.parametrize(("change", "beyond"), [(0.9 * MOVED, False), (1.1 * MOVED, True),
                                                (-0.9 * MOVED, False), (-1.1 * MOVED, True)])  # fmt: skip
def test_how_far_it_may_move(change: float, beyond: bool) -> None:
    move = moved_since(shunted(), shunted((1.0 + change) * NET, 72))
    assert move.share == pytest.approx(change, rel=1e-6)
    assert move.limit == MOVED
    assert move.beyond is beyond
    assert move.since == "2026-05-04T09:00:00.000Z"


def test_noise_widens_what_may_be() -> None:
    """1 % of scatter in each: the change is known to 1.96·√2·1 %, about 2.8 %, so 2 % is no move."""
    sd = 0.01 * NET / math.sqrt(1.5 / 2000 * 1.5)
    one, other = shunted(sd=sd), shunted(1.02 * NET, 72, sd=sd)
    move = moved_since(one, other)
    assert move.limit == pytest.approx(1.96 * math.hypot(0.0102, 0.01), rel=1e-3)
    assert not move.beyond


def test_the_other_arm_is_told() -> None:
    move = moved_since(shunted(), shunted(-NET, 72))
    assert (move.turned, move.beyond) == (True, True)
    assert move.share == pytest.approx(0.0, abs=1e-12)


def test_nothing_laid_on() -> None:
    with pytest.raises(CalibrationError, match="was 100 kilohm laid on"):
        moved_since(shunted(0.0), shunted())


def test_the_worst_of_several_moves() -> None:
    first = shunted()
    assert worst_move(first, []) is None
    assert worst_move(first, [shunted(1.001 * NET, 72)]) is None
    worst = worst_move(first, [shunted(share * NET, 72) for share in (1.003, 0.99, 1.004)])
    assert worst is not None
    assert worst.share == pytest.approx(-0.01)
    assert worst_move(first, [shunted(1.02 * NET, 72), shunted(-NET, 73)]).turned  # type: ignore[union-attr]


@pytest.mark.parametrize(("change", "words"), [
    ({"rig_id": fixed_id(98)}, "another rig"),
    ({"shunt": replace(SHUNT, id=fixed_id(99))}, "another shunt"),
    ({"settings": replace(SETTINGS, gain=1)}, "gain"),
])  # fmt: skip
def test_what_cannot_be_compared(change: dict[str, object], words: str) -> None:
    one = shunted()
    assert one.why_another_kind(shunted(NET, 72)) == ""
    assert words in one.why_another_kind(replace(one, **change))  # type: ignore[arg-type]


class TestFullScale:
    RATIO = replace(SETTINGS, scale_kind=ScaleKind.RATIO, full_scale=3.90625, gain=128)

    def test_of_a_ratiometric_converter(self) -> None:
        assert full_scale_mv_per_v(self.RATIO) == pytest.approx(3.90625, rel=1e-6)
        refuse_beyond(SHUNT, self.RATIO)
        large = replace(SHUNT, name="20 kilohm", resistor_ohm=20_000.0)
        with pytest.raises(
            CalibrationError, match=r"20 kilohm makes 4\.337 mV/V, beyond the 3\.906 mV/V"
        ) as told:
            refuse_beyond(large, self.RATIO)
        assert "well over 22225 Ω" in str(told.value)

    def test_of_a_voltage_by_its_nominal_excitation(self) -> None:
        nominal = replace(SETTINGS, excitation_source="nominal", excitation_v=5.0)
        assert full_scale_mv_per_v(nominal) == pytest.approx(15.625, rel=1e-6)
        with pytest.raises(CalibrationError, match="at gain 64"):
            refuse_beyond(replace(SHUNT, resistor_ohm=5_000.0), nominal)

    def test_nothing_is_refused_where_nobody_knows(self) -> None:
        unknown = replace(SETTINGS, excitation_v=None)
        assert full_scale_mv_per_v(unknown) is None
        refuse_beyond(replace(SHUNT, resistor_ohm=100.0), unknown)
