from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.errors import PlanError
from anviltrace.records import RigKind
from anviltrace.virtual.board import Fault as BoardFault
from anviltrace.virtual.scenario import FaultKind, load, names, parse

SMALL = """
[converter]
name = "ads1256"
excitation_v = 5.0
[transducer]
rated_nm = 500
sensitivity_mv_per_v_per_nm = 0.004
natural_hz = 3000
damping = 0.02
[joint]
kind = "held"
blow_stiffness_nm_per_rad = 8000.0
[tools.plain]
blow_energy_j = 10.0
hammer_inertia_kgm2 = 1e-3
blows_per_s = 40
nominal_v = 18
current_a = 30
[supplies.mains]
full_v = 18.0
inner_ohm = 0.0
"""


@pytest.fixture
def written(tmp_path):
    def write(text: str) -> Path:
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize("name", names())
def test_every_scenario_of_the_package_loads(name):
    scenario = load(name)
    assert scenario.name == name
    assert set(scenario.tools) == {"Ostrelby", "Vennick short", "Quarrowdale heavy"}
    assert set(scenario.supplies) == {"fresh pack", "tired pack", "mains adapter"}


def test_the_package_has_each_kind_of_rig_and_both_converters():
    assert {"fishplate-held", "fishplate-through", "fishplate-fixed", "deadweight-hx711"} <= set(names())
    assert {load(name).joint.kind for name in names()} == set(RigKind)
    assert {load(name).converter.rate_hz for name in names()} == {None, 80}


def test_a_path_is_as_good_as_a_name(written):
    scenario = load(written(SMALL))
    assert scenario.name == "bench"
    assert scenario.transducer.rated_nm == 500.0
    assert isinstance(scenario.tools["plain"].blows_per_s, float)


def test_a_file_may_differ_in_part_from_a_scenario(written):
    scenario = load(written('based_on = "fishplate-held"\n[transducer]\nnatural_hz = 900.0\n'))
    held = load("fishplate-held")
    assert scenario.transducer.natural_hz == 900.0
    assert scenario.transducer.damping == held.transducer.damping
    assert scenario.tools == held.tools


def test_faults_come_in_the_order_of_their_times(written):
    text = SMALL + (
        '[[faults]]\nat_s = 5\nkind = "stray text"\nargument = 3\n[[faults]]\nat_s = 2\nkind = "silent"\n'
    )
    faults = load(written(text)).faults
    assert [(fault.at_s, fault.kind, fault.argument) for fault in faults] == [
        (2.0, FaultKind.SILENT, 0),
        (5.0, FaultKind.STRAY_TEXT, 3),
    ]


def test_faults_have_the_numbers_the_board_knows():
    assert {kind.name: kind.code for kind in FaultKind} == {f.name: int(f) for f in BoardFault if f}


def test_an_unknown_name_lists_those_there_are():
    with pytest.raises(
        PlanError, match="no scenario 'fishplat'; use one of deadweight-hx711, deadweight-nau7802, fi"
    ):
        load("fishplat")


def test_a_file_that_is_not_utf_8(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_bytes(b'[joint]\nkind = "h\xe9ld"\n')
    with pytest.raises(PlanError, match="not UTF-8"):
        load(path)


def test_a_file_that_is_not_toml(written):
    with pytest.raises(PlanError, match="not TOML"):
        load(written("joint = {"))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("damping = 0.02", "damping = 1.5", r"transducer.damping = 1.5 lies outside 0.001 to 0.99"),
        ("damping = 0.02", "damping = nan", r"transducer.damping = nan is not finite"),
        ("damping = 0.02", 'damping = "low"', r"transducer.damping = 'low' must be a number"),
        ("damping = 0.02", "", r"\[transducer\] lacks 'damping'"),
        (
            "damping = 0.02",
            "damping = 0.02\nprice = 3",
            r"\[transducer\] does not know 'price'; use one of: .*rated",
        ),
        (
            'kind = "held"',
            'kind = "loose"',
            r"joint.kind = 'loose' is not possible; use one of: fixed, through, held",
        ),
        (
            'name = "ads1256"',
            'name = "hx711"',
            r"converter.rate_hz = None is no rate of an hx711; use 10 or 80",
        ),
        (
            "excitation_v = 5.0",
            "excitation_v = 5.0\nrate_hz = 80",
            r"converter.rate_hz = 80 is not for an ads1256",
        ),
        (
            'name = "ads1256"',
            'name = "nau7802"\npio = 0',
            r"converter.pio = 0: no state machine reads an nau7802: leave it out",
        ),
        (
            "inner_ohm = 0.0",
            "inner_ohm = 0.0\nempty_v = 19",
            r"supplies.mains.empty_v = 19 is not below full_v = 18",
        ),
        (
            "hammer_inertia_kgm2 = 1e-3",
            "hammer_inertia_kgm2 = 0.1",
            r"tools.plain: a blow takes 11.1 ms, more than",
        ),
        (
            'kind = "held"',
            'kind = "fixed"\nretained_nm = 40',
            r"joint.retained_nm = 40, but a fixed rig keeps none",
        ),
        (
            'kind = "held"',
            'kind = "held"\ntightening = {hold_ratio = 3, rate_nm_per_rad = 4000, efficiency = 0.5}',
            r"18000 N·m/rad exceeds blow_stiffness_nm_per_rad = 8000",
        ),
        (
            'kind = "held"',
            'kind = "held"\ntightening = {hold_ratio = 0.9, rate_nm_per_rad = 100, efficiency = 0.5}',
            r"tightening.hold_ratio = 0.9 is below 1",
        ),
        ("[supplies.mains]", "[extras]\n[supplies.mains]", r"the file does not know 'extras'"),
        ("[converter]", 'based_on = "nowhere"\n[converter]', r"based_on = 'nowhere' is no scenario"),
        ("[converter]", "faults = 3\n[converter]", r"faults = 3 must be a list of tables"),
        ("[converter]", "masses = {plate = 5}\n[converter]", r"masses.plate = 5 must be a table"),
    ],
)
def test_impossible_files_are_refused(written, old, new, message):
    path = written(SMALL.replace(old, new, 1))
    with pytest.raises(PlanError, match=message) as refused:
        load(path)
    assert str(path) in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_missing_table_is_named():
    with pytest.raises(PlanError, match=r"here: \[converter\] lacks 'name'"):
        parse({}, "nothing", "here")
