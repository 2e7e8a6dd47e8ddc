"""The bench file: rig, tools, supplies, fittings."""

from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.capture.benchfile import read_bench
from anviltrace.errors import PlanError
from anviltrace.records import RigKind

GOOD = """
[rig]
name = "fishplate stand"
kind = "held"

[[tool]]
name = "Ostrelby"
mass_kg = 2.4
price = 189
currency = "EUR"

[[tool]]
name = "Skerrow 12"

[[supply]]
name = "pack A"
kind = "pack"
nominal_v = 18

[[fitting]]
name = "socket 36 mm"
"""


def written(folder: Path, text: str) -> Path:
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return file


def complaint(file: Path) -> str:
    with pytest.raises(PlanError) as caught:
        read_bench(file)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_everything_described(tmp_path: Path) -> None:
    bench = read_bench(written(tmp_path, GOOD))
    assert bench.rig.kind is RigKind.HELD
    assert bench.tool("Ostrelby").mass_kg == 2.4
    assert bench.tool("Skerrow 12").price is None  # not stated is not known
    assert bench.supply("pack A").nominal_v == 18.0
    assert bench.fitting("socket 36 mm").name == "socket 36 mm"


def test_the_same_description_is_the_same_thing_everywhere(tmp_path: Path) -> None:
    first = read_bench(written(tmp_path, GOOD))
    reordered = GOOD.replace('name = "Ostrelby"\nmass_kg = 2.4', 'mass_kg = 2.4\nname = "Ostrelby"')
    assert read_bench(written(tmp_path, reordered + "\n# moved to another bench")) == first


def test_a_changed_description_is_a_new_entry(tmp_path: Path) -> None:
    first = read_bench(written(tmp_path, GOOD))
    second = read_bench(written(tmp_path, GOOD.replace("189", "169")))
    assert first.tool("Ostrelby").id != second.tool("Ostrelby").id
    assert first.tool("Skerrow 12") == second.tool("Skerrow 12")


def test_a_new_cable_is_not_a_new_rig(tmp_path: Path) -> None:
    without = read_bench(written(tmp_path, GOOD))
    with_cable = read_bench(written(tmp_path, GOOD.replace('kind = "held"', 'kind = "held"\ncable = "2 m"')))
    assert (without.cable, with_cable.cable) == ("", "2 m")
    assert with_cable.rig == without.rig
    assert without.rig.id == "0b704a44-89be-56e7-8d6b-023963747767"  # as before a cable could be stated


def test_a_tool_and_a_fitting_of_one_name_differ(tmp_path: Path) -> None:
    bench = read_bench(written(tmp_path, GOOD + '\n[[fitting]]\nname = "Skerrow 12"\n'))
    assert bench.tool("Skerrow 12").id != bench.fitting("Skerrow 12").id


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('kind = "held"', 'kind = "bolted"', "fixed, through, held"),
        ('kind = "pack"', 'kind = "petrol"', "pack, mains adapter, air"),
        ("mass_kg = 2.4", "mass_kg = -1", "mass_kg = -1 lies outside"),
        ("mass_kg = 2.4", 'mass_kg = "2.4"', "must be a number"),
        ("mass_kg = 2.4", "weight = 2.4", "does not know 'weight'"),
        ("[[tool]]", "[tool]", "tool"),
        ('name = "Skerrow 12"', 'name = "Ostrelby"', "called 'Ostrelby'"),
        ("[[fitting]]", "[[socket]]", "does not know 'socket'"),
        ('name = "pack A"', "", "lacks 'name'"),
    ],
)
def test_what_cannot_be(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in GOOD
    file = written(tmp_path, GOOD.replace(old, new))
    message = complaint(file)
    assert message.startswith(str(file))
    assert words in message


def test_no_rig(tmp_path: Path) -> None:
    assert "[rig] is missing" in complaint(written(tmp_path, '[[tool]]\nname = "x"\n'))


def test_an_unknown_name_lists_what_there_is(tmp_path: Path) -> None:
    bench = read_bench(written(tmp_path, GOOD))
    with pytest.raises(PlanError, match="no tool 'Hare'; it describes: 'Ostrelby', 'Skerrow 12'"):
        bench.tool("Hare")


CLAIM = """
[[claim]]
tool = "Ostrelby"
quantity = "maximum torque"
value = 400
unit = "N·m"
duty = "tightening"
source = "box"
"""


def test_a_claim_belongs_to_its_tool(tmp_path: Path) -> None:
    bench = read_bench(written(tmp_path, GOOD + CLAIM))
    (claim,) = bench.claims_of(bench.tool("Ostrelby"))
    assert (claim.quantity, claim.value, claim.unit, claim.duty) == (
        "maximum torque",
        400.0,
        "N·m",
        "tightening",
    )
    assert claim.tool_id == bench.tool("Ostrelby").id
    assert bench.claims_of(bench.tool("Skerrow 12")) == ()


def test_claims_are_kept_in_si_units(tmp_path: Path) -> None:
    text = CLAIM.replace('"N·m"', '"lbf·ft"') + CLAIM.replace("maximum torque", "blow rate").replace(
        '400\nunit = "N·m"', '2400\nunit = "1/min"'
    )
    torque, rate = read_bench(written(tmp_path, GOOD + text)).claims
    assert torque.unit == "N·m"
    assert torque.value == pytest.approx(542.3272, abs=1e-4)  # 1 lbf·ft is 1.355818 N·m (NIST SP 811)
    assert (rate.unit, rate.value) == ("1/s", pytest.approx(40.0))


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('tool = "Ostrelby"', 'tool = "Nobody"', "no tool 'Nobody'"),
        ("maximum torque", "might", "maximum torque, tightening torque"),
        ('"N·m"', '"1/s"', "N·m"),
        ("400", "-400", "-400"),
        ("400", "nan", "nan"),
        ('"tightening"', '"resting"', "loosening"),
        ("source", "origin", "origin"),
    ],
)
def test_a_claim_that_makes_no_sense_is_one_line(tmp_path: Path, old: str, new: str, named: str) -> None:
    assert named in complaint(written(tmp_path, GOOD + CLAIM.replace(old, new)))


def test_a_claim_without_a_duty_is_for_any(tmp_path: Path) -> None:
    bench = read_bench(written(tmp_path, GOOD + CLAIM.replace('duty = "tightening"\n', "")))
    assert bench.claims[0].duty == ""
