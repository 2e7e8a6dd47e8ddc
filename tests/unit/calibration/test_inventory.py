"""The weights file: what is read from it, and one clear line about what is wrong with it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from anviltrace.calibration.inventory import read_inventory
from anviltrace.calibration.ladder import Manner
from anviltrace.errors import PlanError
from anviltrace.records import Spread

GOOD = """
[site]
latitude_deg = 45
height_m = 0

[[arm]]
name = "long arm"
length_m = 0.8
within_m = 0.0005

[[mass]]
name = "hanger"
mass_kg = 1.0
u_kg = 0.001

[[mass]]
name = "plate A"
mass_kg = 10.0
within_kg = 0.02

[[mass]]
name = "check weight"
mass_kg = 5.0
u_kg = 0.0005
check = true
"""

AIR = "air_temperature_c = 20\nair_pressure_hpa = 1013.25\nair_humidity_percent = 50"


def write(folder: Path, text: str) -> Path:
    path = folder / "weights.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_read(tmp_path: Path) -> None:
    inventory = read_inventory(write(tmp_path, GOOD))
    plate, arm = inventory.mass("plate A"), inventory.arm("long arm")
    assert (plate.spread, plate.u_kg) == (Spread.RECTANGULAR, pytest.approx(0.02 / math.sqrt(3.0)))
    assert (arm.spread, arm.u_m) == (Spread.RECTANGULAR, pytest.approx(0.0005 / math.sqrt(3.0)))
    assert inventory.mass("hanger").spread is Spread.NORMAL
    assert inventory.site.gravity_m_per_s2 == pytest.approx(9.8061992, abs=1e-7)
    assert inventory.site.gravity_u_m_per_s2 == pytest.approx(50e-6 * 9.8061992, rel=1e-6)
    assert inventory.site.gravity_source == "GRS80 at 45° latitude, 0 m"
    assert inventory.site.air_density_u_kg_per_m3 == pytest.approx(0.06 / math.sqrt(3.0))


def test_how_long_a_calibration_is_relied_on(tmp_path: Path) -> None:
    assert read_inventory(write(tmp_path, GOOD)).valid_days is None
    agreed = GOOD + "\n[calibration]\nvalid_days = 90\n"
    assert read_inventory(write(tmp_path, agreed)).valid_days == 90.0
    with pytest.raises(PlanError, match="valid_days"):
        read_inventory(write(tmp_path, agreed.replace("90", "0")))


def test_one_weight_more_each_time_without_the_check_weight(tmp_path: Path) -> None:
    inventory = read_inventory(write(tmp_path, GOOD))
    names = [[mass.name for mass in load.masses] for load in inventory.ladder]
    assert names == [["hanger"], ["hanger", "plate A"]]


def test_steps_and_how_to_read_can_be_chosen(tmp_path: Path) -> None:
    more = """
[[step]]
masses = ["check weight"]
[[step]]
masses = ["check weight", "plate A"]
angle_deg = 0.7
[reading]
wait_s = 30
[preload]
count = 3
"""
    inventory = read_inventory(write(tmp_path, GOOD + more))
    assert [load.angle_deg for load in inventory.ladder] == [None, 0.7]
    assert inventory.ladder[0].masses[0].name == "check weight"
    assert (inventory.gate.wait_s, inventory.preload.count) == (30.0, 3)


def test_measured_gravity(tmp_path: Path) -> None:
    text = GOOD.replace("latitude_deg = 45", "gravity_m_per_s2 = 9.8113")
    inventory = read_inventory(write(tmp_path, text.replace("height_m = 0", "gravity_u_m_per_s2 = 0.0001")))
    site = inventory.site
    assert (site.gravity_m_per_s2, site.gravity_u_m_per_s2, site.gravity_source) == (
        9.8113,
        0.0001,
        "measured",
    )


def test_a_thing_keeps_its_id_until_its_description_changes(tmp_path: Path) -> None:
    first = read_inventory(write(tmp_path, GOOD)).mass("hanger").id
    assert read_inventory(write(tmp_path, GOOD + "\n# moved\n")).mass("hanger").id == first
    assert read_inventory(write(tmp_path, GOOD.replace("= 1.0\n", "= 1.01\n"))).mass("hanger").id != first


@pytest.mark.parametrize(("old", "new", "words"), [
    ("mass_kg = 10.0", "mass_kg = nan", "mass 2.mass_kg = nan is not finite"),
    ("mass_kg = 10.0", "mass_kg = -10.0", "mass 2.mass_kg = -10 lies outside 0.001 to 500"),
    ("mass_kg = 10.0", 'mass_kg = "10 kg"', "mass 2.mass_kg = '10 kg' must be a number"),
    ("mass_kg = 10.0", "mass_lb = 22.0", "mass_lb = 22.0 is not in kg: convert it by 1 lb = 0.45359237 kg"),
    ("mass_kg = 10.0", 'mass_kg = "22 lb"', "= '22 lb' is not in kg: convert it by 1 lb = 0.45359237"),
    ("mass_kg = 10.0", "mass_stone = 1.6", "does not know 'mass_stone'"),
    ("within_kg = 0.02", "within_g = 20", "convert it by 1 g = 0.001 kg, and give within_kg"),
    ("within_kg = 0.02", "within_kg = 0.02\ndof = 4", "mass 'plate A' has dof = 4 beside limits"),
    ("within_m = 0.0005", "within_m = 0.0005\ndof = 4", "arm 'long arm' has dof = 4 beside limits"),
    ("u_kg = 0.0005", "u_kg = 0.0005\ndof = 0.5", "mass 3.dof = 0.5 lies outside 1 to 1e+06"),
    ("u_kg = 0.0005", 'class = "M1"\ndof = 4', "mass 'check weight' has dof = 4 beside limits"),
    ("within_m = 0.0005", "within_m = 0.0005\nown_mass_kg = 3", "empty arm but lacks own_within_kg; give"),
    ("within_m = 0.0005", "within_m = 0.0005\nown_centre_m = 0.3", "empty arm but lacks own_mass_kg; give"),
    ("length_m = 0.8", "length_m = 0.0", "arm 1.length_m = 0 lies outside 0.02 to 5"),
    ("length_m = 0.8", "length_in = 31.5", "is not in m: convert it by 1 in = 0.0254 m, and give length_m"),
    ('"plate A"', '"hanger"', "two of [[mass]] are called 'hanger'"),
    ('"plate A"', '" "', "one of [[mass]] has no name"),
    ("within_kg = 0.02", "", "mass 'plate A' needs one of within_kg"),
    ("within_kg = 0.02", "within_kg = 0.02\nu_kg = 0.01", "mass 'plate A' needs one of within_kg"),
    ("within_kg = 0.02", "within_kg = -0.02", "lies outside 0 to 50"),
    ("height_m = 0", "", "needs either latitude_deg and height_m, or gravity"),
    ("height_m = 0", "height_m = 0\ngravity_m_per_s2 = 9.81", "needs either latitude_deg and height_m"),
    ("latitude_deg = 45", "latitude_deg = 95", "lies outside -90 to 90"),
    ("height_m = 0", "height_m = 0\nair_temperature_c = 20", "needs all of air_temperature_c"),
    ("height_m = 0", f"height_m = 0\n{AIR}\nair_density_kg_per_m3 = 1.2", "leave out one of them"),
    ("height_m = 0", "height_m = 0\nair_humidity_within_percent = 5", "needs all of air_temperature_c"),
    ("height_m = 0", "height_m = 0\nair_pressure_hpa = 101325", "lies outside 600 to 1100"),
    ("within_kg = 0.02", 'class = "E2"', "mass 2.class = 'E2' is not possible; use one of: M1, M2"),
    ("within_kg = 0.02", 'within_kg = 0.02\nclass = "M1"', "has a class, which sets its limits"),
    ("u_kg = 0.0005", 'class = "M1"\nu_kg = 0.0005', "leave out within_kg and u_kg, or class"),
    ("mass_kg = 5.0\nu_kg = 0.0005", 'mass_kg = 5.01\nclass = "M1"', "known here for 1, 2, 5, 10, 20, 50"),
    ("within_m = 0.0005", 'tape = "II"', "give within_m too: what reading the tape"),
    ("within_m = 0.0005", 'u_m = 0.0005\ntape = "II"', "give within_m too: what reading the tape"),
    ("within_m = 0.0005", 'within_m = 0.0005\ntape = "2"', "arm 1.tape = '2' is not possible"),
    ("[site]", "[place]", "does not know 'place'"),
    ("[[arm]]", "[arm]", "arm must be a list of tables"),
    ("check = true", "check = true\n[[step]]\nmasses = ['plate Z']", "has no mass 'plate Z'"),
    ("check = true", "check = true\n[[step]]\nmasses = [7]", "a [[step]] names the mass 7"),
])  # fmt: skip
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in GOOD
    with pytest.raises(PlanError) as caught:
        read_inventory(write(tmp_path, GOOD.replace(old, new)))
    message = str(caught.value)
    assert words in message
    assert "\n" not in message


def test_a_missing_file_and_a_missing_arm(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="check the name"):
        read_inventory(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="no arm 'tall arm'; it describes: 'long arm'"):
        read_inventory(write(tmp_path, GOOD)).arm("tall arm")


def test_how_a_full_course_is_taken(tmp_path: Path) -> None:
    assert read_inventory(write(tmp_path, GOOD)).manner == Manner()
    course = "\n[course]\nmountings = 5\nwarm_up_s = 60\npreloads = 2\nzero_wait_s = 5\nask_angle = true\n"
    manner = read_inventory(write(tmp_path, GOOD + course)).manner
    assert manner == Manner(mountings=5, warm_up_s=60.0, preloads=2, zero_wait_s=5.0, ask_angle=True)
    with pytest.raises(PlanError, match="mountings = 0 lies outside 1 to 12"):
        read_inventory(write(tmp_path, GOOD + course.replace("= 5", "= 0", 1)))


def test_what_an_arm_bears_does_not_make_it_another_arm(tmp_path: Path) -> None:
    plain = read_inventory(write(tmp_path, GOOD))
    rated = read_inventory(write(tmp_path, GOOD.replace("within_m", "highest_nm = 250\nwithin_m", 1)))
    assert plain.ratings_nm == {}
    assert rated.ratings_nm == {"long arm": 250.0}
    assert rated.arms == plain.arms


def test_a_description_from_before_keeps_its_id(tmp_path: Path) -> None:
    """As computed before a weights file could state degrees of freedom or an empty arm."""
    inventory = read_inventory(write(tmp_path, GOOD))
    assert [thing.id for thing in (*inventory.masses, *inventory.arms)] == [
        "d8c362a1-d210-5b26-a007-99cc6b6393ba",
        "7cd110cb-6ff4-596f-a7b8-97eddd3ffec5",
        "0b8dcc23-7beb-57ae-9bea-73a36a8c3145",
        "9d6cbe82-ef69-54c8-8cdc-0e5e9c7855a8",
    ]


def test_degrees_of_freedom_behind_a_standard_uncertainty(tmp_path: Path) -> None:
    text = GOOD.replace("u_kg = 0.001", "u_kg = 0.001\ndof = 4")
    inventory = read_inventory(write(tmp_path, text.replace("within_m = 0.0005", "u_m = 0.0003\ndof = 9")))
    assert (inventory.mass("hanger").dof, inventory.arm("long arm").dof) == (4.0, 9.0)
    assert inventory.mass("plate A").dof is None
    assert inventory.mass("hanger").id != read_inventory(write(tmp_path, GOOD)).mass("hanger").id


def test_the_empty_arm(tmp_path: Path) -> None:
    own = "own_mass_kg = 3\nown_within_kg = 0.06\nown_centre_m = -0.1\nown_centre_within_m = 0.02\n"
    plain = read_inventory(write(tmp_path, GOOD)).arm("long arm")
    arm = read_inventory(write(tmp_path, GOOD.replace("within_m", own + "within_m"))).arm("long arm")
    assert (arm.own_mass_kg, arm.own_centre_m) == (3.0, -0.1)
    assert (arm.own_mass_u_kg, arm.own_centre_u_m) == pytest.approx((0.06 / 3.0**0.5, 0.02 / 3.0**0.5))
    assert plain.own_mass_kg is None
    assert arm.id != plain.id


def test_an_arm_far_from_level_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="angle_deg = 15 lies outside -10 to 10"):
        read_inventory(write(tmp_path, GOOD.replace("within_m", "angle_deg = 15\nwithin_m", 1)))
    step = '\n[[step]]\nmasses = ["hanger"]\nangle_deg = 15\n'
    with pytest.raises(PlanError, match="angle_deg = 15 lies outside -10 to 10"):
        read_inventory(write(tmp_path, GOOD + step))


def test_air_from_its_temperature_pressure_and_humidity(tmp_path: Path) -> None:
    """CIPM-2007 gives 1.19931 kg/m³ for this air; ±2 °C alone make 0.7 % of it, ±5 hPa 0.5 %."""
    site = read_inventory(write(tmp_path, GOOD.replace("height_m = 0", f"height_m = 0\n{AIR}"))).site
    assert site.air_density_kg_per_m3 == pytest.approx(1.199314, abs=1e-6)
    assert 0.005 < site.air_density_u_kg_per_m3 < 0.008
    known = f"{AIR}\nair_temperature_within_c = 0\nair_humidity_within_percent = 0"
    one = read_inventory(write(tmp_path, GOOD.replace("height_m = 0", f"height_m = 0\n{known}"))).site
    pressure_alone = 1.199314 * 5.0 / 1013.25 / math.sqrt(3.0)
    assert one.air_density_u_kg_per_m3 == pytest.approx(pressure_alone, rel=0.01)


def test_a_stated_air_density(tmp_path: Path) -> None:
    stated = "height_m = 0\nair_density_kg_per_m3 = 1.1\nair_density_within_kg_per_m3 = 0.03"
    site = read_inventory(write(tmp_path, GOOD.replace("height_m = 0", stated))).site
    assert (site.air_density_kg_per_m3, site.air_density_u_kg_per_m3) == (1.1, 0.03 / math.sqrt(3.0))


def test_a_weight_by_class_says_so_on_record(tmp_path: Path) -> None:
    text = GOOD.replace("within_kg = 0.02", 'class = "M2"\nnote = "green"')
    plate = read_inventory(write(tmp_path, text)).mass("plate A")
    assert (plate.conventional, plate.spread) == (True, Spread.RECTANGULAR)
    assert plate.u_kg == pytest.approx(1600e-6 / math.sqrt(3.0))
    assert plate.note == "green; limits of OIML class M2, table second-hand"


def test_the_limits_of_a_tape_are_added(tmp_path: Path) -> None:
    text = GOOD.replace("within_m", 'tape = "II"\nwithin_m', 1)
    arm = read_inventory(write(tmp_path, text)).arm("long arm")
    assert (arm.u_m, arm.spread) == (pytest.approx(0.001 / math.sqrt(3.0)), Spread.RECTANGULAR)
    assert arm.note == "limits of a tape of EU class II added, table second-hand"
