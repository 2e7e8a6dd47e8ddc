from __future__ import annotations

import numpy as np
import pytest
from workshop import fixed_id

from anviltrace.calibration.instructions import Clear, Remount, Restore
from anviltrace.cli.weights import OperatorWeights
from anviltrace.errors import VirtualRigError
from anviltrace.records import Arm, Mass, Rotation, Spread

PLATE_N = 10.0 * 9.81 * (1.0 - 1.2 / 7850.0)


def _settled_nm(bench) -> float:
    bench.counts(0.1)
    bench.at_s += 120.0
    return bench.torque_nm(0.1).mean()


def test_weights_act_by_their_true_mass_and_arm(hands):
    bench = hands()
    bench.operator.hang("plate", "long")
    assert _settled_nm(bench) == pytest.approx(0.8 * PLATE_N, rel=1e-6)
    bench.operator.hang("weight")
    assert _settled_nm(bench) == pytest.approx(1.5 * 0.8 * PLATE_N, rel=1e-6)
    bench.operator.unhang_all()
    assert _settled_nm(bench) == pytest.approx(0.0, abs=1e-6)


def test_one_weight_can_be_taken_off_again(hands):
    bench = hands()
    bench.operator.hang("plate", "long")
    bench.operator.hang("weight")
    bench.operator.unhang("plate")
    assert _settled_nm(bench) == pytest.approx(0.5 * 0.8 * PLATE_N, rel=1e-6)
    with pytest.raises(VirtualRigError, match="'plate' does not hang"):
        bench.operator.unhang("plate")


def test_weights_on_the_other_side_turn_the_other_way(hands):
    bench = hands()
    bench.operator.hang("plate", "short", Rotation.CCW)
    assert _settled_nm(bench) == pytest.approx(-0.5 * PLATE_N, rel=1e-6)


def test_a_newly_hung_weight_takes_its_time_and_swings(hands):
    bench = hands()
    bench.counts(0.1)
    bench.operator.hang("plate", "long")
    torque = bench.torque_nm(12.0)
    assert torque[0] == pytest.approx(0.0, abs=1e-3)
    assert np.ptp(torque[60_000:90_000]) > 5 * np.ptp(torque[-30_000:]) > 0.0


def test_the_world_goes_on_while_the_operator_lets_time_pass(hands):
    bench = hands()
    bench.counts(0.1)
    bench.operator.hang("plate", "long")
    bench.operator.let_pass(120.0)
    assert bench.torque_nm(0.1).mean() == pytest.approx(0.8 * PLATE_N, rel=1e-6)
    assert bench.bench.now_s == pytest.approx(bench.at_s + 120.0, abs=0.01)
    with pytest.raises(VirtualRigError, match=r"cannot wait -1 s; wait 0 to 3600 s"):
        bench.operator.let_pass(-1.0)


def test_an_order_is_as_old_as_the_time_that_passed_since(hands):
    bench = hands()
    bench.operator.seat("plain", "mains")
    bench.counts(0.1)
    bench.operator.drive(Rotation.CW)
    bench.operator.let_pass(2.0)
    bench.operator.release()
    bench.operator.let_pass(1.0)
    bench.counts(0.1)
    orders = {event.kind: event.time_s for event in bench.truth.events}
    assert orders["release"] - orders["drive"] == pytest.approx(2.0, abs=0.05)
    assert 1.5 < bench.truth.blows[-1].start_s - orders["drive"] < 2.0


def test_an_arm_has_its_own_torque_until_a_tool_takes_its_place(hands):
    bench = hands(arms={"heavy": {"length_m": 0.8, "own_nm": 6.0}})
    bench.operator.fit_arm("heavy")
    assert _settled_nm(bench) == pytest.approx(6.0, rel=1e-6)
    bench.operator.slacken()
    assert _settled_nm(bench) == pytest.approx(6.0, rel=1e-6)
    bench.operator.seat("plain", "mains")
    assert _settled_nm(bench) == pytest.approx(0.0, abs=1e-6)


def test_slackening_takes_a_held_joint_to_zero(hands):
    bench = hands(joint={"retained_nm": 150.0})
    assert bench.torque_nm(0.1).mean() == pytest.approx(150.0)
    bench.operator.slacken()
    assert _settled_nm(bench) == pytest.approx(0.0, abs=1e-6)


def test_side_force_comes_and_goes_with_what_is_mounted(hands):
    bench = hands(
        transducer={"side_mv_per_v_per_n": 1e-5},
        tools={
            "pulls": {
                "blow_energy_j": 10.0,
                "hammer_inertia_kgm2": 1e-3,
                "blows_per_s": 40.0,
                "nominal_v": 18.0,
                "current_a": 30.0,
                "side_force_n": 40.0,
            }
        },
    )
    bench.operator.seat("pulls", "mains")
    assert _settled_nm(bench) == pytest.approx(40.0 * 1e-5 / 0.004, rel=1e-4)
    bench.operator.unseat()
    assert _settled_nm(bench) == pytest.approx(0.0, abs=1e-6)
    bench.operator.hang("plate", "long")
    assert _settled_nm(bench) == pytest.approx(PLATE_N * (0.8 + 1e-5 / 0.004), rel=1e-5)


def test_each_mounting_reads_a_little_differently(hands):
    bench = hands(transducer={"remount_span": 0.002})
    readings = []
    for _ in range(6):
        bench.operator.fit_arm("long") if not readings else bench.operator.remount()
        bench.operator.hang("plate")
        readings.append(_settled_nm(bench))
        bench.operator.unhang_all()
    assert 1e-4 < np.std(readings) / np.mean(readings) < 1e-2


def test_a_pack_stays_drained_when_it_comes_back(hands):
    bench = hands(joint={"kind": "fixed"})
    bench.operator.seat("plain", "pack")
    for supply in ("pack", "mains", "pack"):
        bench.operator.change_supply(supply)
        bench.operator.drive(Rotation.CW)
        bench.counts(5.0)
        bench.operator.release()
        bench.counts(0.5)
    blows = bench.truth.blows
    starts = [event.time_s for event in bench.truth.events if event.kind == "drive"]
    first, mains, again = (next(b.supply_v for b in blows if b.start_s > start) for start in starts)
    assert mains == 18.0
    assert again < first - 0.3


def test_after_release_no_blow_starts(hands):
    bench = hands()
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    bench.counts(1.0)
    bench.operator.release()
    released_s = bench.at_s
    bench.counts(1.0)
    assert bench.truth.blows[-1].start_s < released_s
    assert bench.truth.events[-1].kind == "release"


def _tool_seated(operator):
    operator.seat("plain", "mains")


def _tool_driving(operator):
    operator.seat("plain", "mains")
    operator.drive(Rotation.CW)


def _weight_hangs(operator):
    operator.hang("plate", "long")


@pytest.mark.parametrize(
    ("before", "action", "message"),
    [
        (None, lambda o: o.hang("anvil", "long"), "unknown mass 'anvil'; this bench has: plate, weight"),
        (None, lambda o: o.hang("plate", "crane"), "unknown arm 'crane'; this bench has: long, short"),
        (None, lambda o: o.hang("plate"), "no arm is on; name one of: long, short"),
        (None, lambda o: o.seat("hammer", "mains"), "unknown tool 'hammer'; this bench has: plain"),
        (None, lambda o: o.seat("plain", "sun"), "unknown supply 'sun'; this bench has: mains, pack"),
        (None, lambda o: o.drive(Rotation.CW), "no tool is seated, so none can be driven; seat one first"),
        (None, lambda o: o.release(), "the tool is not driving"),
        (None, lambda o: o.unseat(), "no tool is seated"),
        (None, lambda o: o.remount(), "nothing is mounted"),
        (None, lambda o: o.change_supply("pack"), "no tool is seated to take 'pack'"),
        (None, lambda o: o.unplug(), "no board whose cable could be pulled"),
        (
            _tool_seated,
            lambda o: o.hang("plate", "long"),
            "cannot hang 'plate' while 'plain' is seated; unseat it",
        ),
        (_tool_seated, lambda o: o.fit_arm("long"), "cannot fit an arm while 'plain' is seated"),
        (_tool_seated, lambda o: o.seat("plain", "pack"), "'plain' is seated; unseat it before seating"),
        (_tool_seated, lambda o: o.change_supply("sun"), "unknown supply 'sun'"),
        (_tool_driving, lambda o: o.drive(Rotation.CCW), "cannot drive again while 'plain' is driving"),
        (_tool_driving, lambda o: o.unseat(), "cannot take the tool off while 'plain' is driving"),
        (
            _tool_driving,
            lambda o: o.change_supply("pack"),
            "cannot change the supply while 'plain' is driving",
        ),
        (_tool_driving, lambda o: o.slacken(), "cannot slacken the joint while 'plain' is driving"),
        (_tool_driving, lambda o: o.remount(), "cannot remount while 'plain' is driving"),
        (_weight_hangs, lambda o: o.hang("plate"), "'plate' hangs already"),
        (_weight_hangs, lambda o: o.hang("weight", "short"), r"while weights hang \(plate\); take them off"),
        (_weight_hangs, lambda o: o.hang("weight", rotation=Rotation.CCW), "while weights hang"),
        (_weight_hangs, lambda o: o.seat("plain", "mains"), "cannot seat 'plain' while weights hang"),
        (_weight_hangs, lambda o: o.slacken(), "cannot slacken the joint while weights hang"),
        (_weight_hangs, lambda o: o.remount(), "cannot remount while weights hang"),
    ],
)
def test_the_impossible_is_refused(hands, before, action, message):
    bench = hands()
    if before is not None:
        before(bench.operator)
    bench.counts(0.01)
    with pytest.raises(VirtualRigError, match=message) as refused:
        action(bench.operator)
    assert "\n" not in str(refused.value)


def test_no_weight_goes_onto_a_tight_stud(hands):
    bench = hands(joint={"retained_nm": 150.0})
    with pytest.raises(VirtualRigError, match="while the joint holds 150 N·m; slacken it first"):
        bench.operator.hang("plate", "long")
    bench.operator.slacken()
    bench.operator.hang("plate", "long")
    assert _settled_nm(bench) == pytest.approx(0.8 * PLATE_N, rel=1e-6)


def test_unhanging_nothing_and_slackening_an_anvil_are_no_trouble(hands):
    bench = hands(joint={"kind": "fixed"})
    bench.operator.unhang_all()
    bench.operator.slacken()
    bench.counts(0.01)
    assert bench.truth.events == ()


def test_unplugging_is_handed_to_the_owner_of_the_board(hands):
    bench, pulled = hands(), []
    bench.operator.on_unplug = lambda: pulled.append(True)
    bench.operator.unplug()
    assert pulled == [True]


def test_what_should_hang_after_a_stop_is_restored_whatever_hangs(hands):
    bench = hands()
    plate, weight = (
        Mass(fixed_id(n), name, 1.0, 0.0, Spread.NORMAL) for n, name in enumerate(("plate", "weight"))
    )
    hand = OperatorWeights(bench.operator)
    bench.operator.fit_arm("long")
    hand.restore(Restore("up", (plate,), 1.0, 8.0))
    assert bench.operator.hanging == ("plate",)
    hand.restore(Restore("up", (plate, weight), 2.0, 16.0))
    assert bench.operator.hanging == ("plate", "weight")
    hand.restore(Restore("down", (weight,), 1.0, 8.0))
    assert bench.operator.hanging == ("weight",)
    hand.clear(Clear())
    assert bench.operator.hanging == ()
    hand.remount(Remount(Arm(fixed_id(9), "long", 0.8, 0.0, Spread.NORMAL), 1, 120.0))
    bench.counts(0.1)
    assert bench.truth.events[-1].kind == "remount"


def test_a_shunt_adds_to_the_bridge_whatever_else_is_on_it(hands):
    """100 kΩ across an arm of 350 Ω: 0.87347 mV/V (fixtures/published/shunt_350_ohm.csv)."""
    shunts = {"up": {"resistor_ohm": 1e5}, "down": {"resistor_ohm": 1e5, "rises": False}}
    bench = hands(shunts=shunts)
    bench.operator.hang("plate", "long")
    loaded_nm = _settled_nm(bench)
    shunt_nm = 0.87347 / bench.bench.scenario.transducer.sensitivity_mv_per_v_per_nm
    bench.operator.lay_shunt("up")
    assert _settled_nm(bench) - loaded_nm == pytest.approx(shunt_nm, rel=1e-5)
    bench.operator.take_off_shunt()
    assert _settled_nm(bench) == pytest.approx(loaded_nm, abs=1e-6)
    bench.operator.lay_shunt("down")
    bench.operator.unhang_all()
    assert _settled_nm(bench) == pytest.approx(-shunt_nm, rel=1e-5)
    assert [event.kind for event in bench.truth.events if "shunt" in event.kind] == [
        "lay shunt", "take off shunt", "lay shunt"]  # fmt: skip


def test_shunts_that_cannot_be(hands):
    bench = hands(shunts={"up": {"resistor_ohm": 1e5}})
    with pytest.raises(VirtualRigError, match="unknown shunt 'other'; this bench has: up"):
        bench.operator.lay_shunt("other")
    with pytest.raises(VirtualRigError, match="none can be taken off"):
        bench.operator.take_off_shunt()
    bench.operator.lay_shunt("up")
    with pytest.raises(VirtualRigError, match="'up' lies on the bridge already"):
        bench.operator.lay_shunt("up")


def test_a_tap_rings_at_the_natural_frequency(hands):
    bench = hands(transducer={"natural_hz": 1700.0, "damping": 0.02})
    bench.counts(0.1)
    bench.operator.tap()
    rung = bench.torque_nm(0.1)
    assert rung.max() == pytest.approx(0.05 * 500.0, rel=0.9)
    spectrum = np.abs(np.fft.rfft(rung[60:] - rung[-100:].mean(), 60_000))
    assert np.argmax(spectrum) * bench.bench.front_rate_hz / 60_000 == pytest.approx(1700.0, rel=0.01)
    assert np.abs(rung[-100:]).max() < 1e-3
    assert [event.kind for event in bench.truth.events] == ["tap"]


def test_nobody_taps_under_a_tool_or_weights(hands):
    bench = hands()
    bench.operator.hang("plate", "long")
    with pytest.raises(VirtualRigError, match="cannot tap the socket end while weights hang"):
        bench.operator.tap()
    bench.operator.unhang_all()
    bench.operator.seat("plain", "mains")
    with pytest.raises(VirtualRigError, match="cannot tap the socket end while 'plain' is seated"):
        bench.operator.tap()


def test_a_push_by_hand_turns_the_shaft_while_it_lasts(hands):
    bench = hands()
    for rotation, pushed_nm in ((Rotation.CW, 12.0), (Rotation.CCW, -12.0)):
        bench.operator.push(rotation)
        assert _settled_nm(bench) == pytest.approx(pushed_nm, abs=0.01)
        bench.operator.stop_pushing()
        assert _settled_nm(bench) == pytest.approx(0.0, abs=0.01)


def test_nobody_pushes_past_a_seated_tool(hands):
    bench = hands()
    bench.operator.seat("plain", "mains")
    with pytest.raises(VirtualRigError, match="unseat it first"):
        bench.operator.push(Rotation.CW)
