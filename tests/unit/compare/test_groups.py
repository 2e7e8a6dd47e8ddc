"""Runs sorted by condition."""

from __future__ import annotations

from dataclasses import replace

from findings import loosening, result
from workshop import fixed_id, workshop

from anviltrace.compare.groups import group_runs
from anviltrace.records import RunKind, RunState, Supply


def test_repeats_of_a_condition_stand_together_in_order_of_time() -> None:
    groups = group_runs([result(3), result(1, plan=loosening()), result(2)])
    assert [group.condition.plan_name for group in groups] == ["fishplate loosening", "fishplate tightening"]
    assert [run.context.run.started_at[14:16] for run in groups[1].kept] == ["02", "03"]


def test_what_was_not_kept_is_counted_and_named() -> None:
    (group,) = group_runs(
        [
            result(1),
            result(2, verdict="discard"),
            result(3, state=RunState.INTERRUPTED, verdict=None),
            result(4, state=RunState.INTERRUPTED),
            result(5, verdict=None),  # nobody said anything against it
        ]
    )
    assert (len(group.kept), len(group.discarded), len(group.interrupted)) == (2, 1, 2)
    assert group.left_out == "1 discarded, 2 interrupted"


def test_calibration_and_zero_recordings_are_no_runs_of_a_condition() -> None:
    assert group_runs([result(1, kind=RunKind.CALIBRATION), result(2, kind=RunKind.ZERO)]) == []


def test_every_part_of_a_condition_tells_runs_apart() -> None:
    other = Supply(fixed_id(60), "mains 18 V", "mains adapter")
    groups = group_runs(
        [
            result(1),
            result(2, supply_state="tired"),
            result(3, supply=other),
            result(4, plan=loosening()),
            result(5, tool=replace(workshop().tool, id=fixed_id(50), name="Skerrow 12")),
            result(6, fitting_id=None, fitting_name=""),
        ]
    )
    labels = [group.label for group in groups]
    assert len(set(labels)) == 6
    assert labels[1] == "Anvil Hare 18 · Drybeck 5 Ah (tired) · fishplate tightening"
    assert labels[0].endswith(", socket 36 mm")  # only where the labels would be alike
    assert labels[5].endswith(", no fitting")


def test_things_described_alike_get_a_number() -> None:
    twin = replace(workshop().tool, id=fixed_id(51), price=99.0)
    labels = [group.label for group in group_runs([result(1), result(2, tool=twin)])]
    assert [label[-3:] for label in labels] == ["(1)", "(2)"]


def test_a_run_of_which_little_is_known_still_has_a_place() -> None:
    bare = result(1, tool_id=None, supply_id=None, plan_id=None, fitting_id=None, supply_state="")
    bare = replace(bare, context=replace(bare.context, tool=None, supply=None, plan=None, fitting_name=""))
    (group,) = group_runs([bare])
    assert group.label == "tool not named · supply not named · plan not named"


def test_a_state_that_the_name_says_already_is_not_said_twice() -> None:
    fresh = Supply(fixed_id(61), "fresh pack", "pack")
    (group,) = group_runs([result(1, supply=fresh, supply_state="fresh")])
    assert group.condition.supply_text == "fresh pack"
