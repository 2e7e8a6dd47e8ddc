"""What a calibration document says about its arms: the empty one, a second one, how well they are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from htmlreader import Reader
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses
from sample_document import bowed, make_archive
from workshop import fixed_id

from anviltrace.archive import Archive
from anviltrace.calibration.emptyarm import EmptyArm, Moment
from anviltrace.calibration.secondarm import Side
from anviltrace.publish.arms import tell_empty_arm, tell_second_arm
from anviltrace.publish.document import Document, collect_document
from anviltrace.publish.documentdata import as_json, data
from anviltrace.publish.documentpage import render
from anviltrace.records import Zero
from anviltrace.units import NM_PER_LBF_FT, TorqueUnit

SHORT = replace(arm(0.0001), id=fixed_id(31), name="short arm", length_m=0.5)
NOT_STATED = "part of the zero, not computed: mass and centre of gravity are not stated"
OWN: dict[str, Any] = {
    "own_mass_kg": 3.0,
    "own_mass_u_kg": 0.03,
    "own_centre_m": 0.3,
    "own_centre_u_m": 0.003,
}


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Document:
    path: Path = tmp_path_factory.mktemp("arms") / "bench.anviltrace"
    make_archive(path)
    with Archive.open(path, read_only=True) as archive:
        return collect_document(archive, "00000000")


def with_second_arm(document: Document, share: float) -> Document:
    """The short arm's readings differ by a share."""
    hung, made = masses(), replace(calibration(), id=fixed_id(41))
    nature = Nature.as_stated(hung, SHORT, made)
    steps = load_steps(
        ladder(hung), nature, lambda nm: ZERO_COUNTS + (1.0 + share) * (bowed(nm) - ZERO_COUNTS)
    )
    side = Side(made, tuple(steps), {mass.id: mass for mass in hung}, SHORT)
    return replace(document, made=replace(document.made, side=side))


def results(document: Document) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(as_json(document))["results"]
    return found


def test_without_description_or_second_arm_it_says_so(document: Document) -> None:
    text = Reader(render(document, TorqueUnit.NM)).text
    assert NOT_STATED in text
    assert "Second arm" not in text
    assert "own_mass_u_kg" not in data(document)["arm"]
    assert "second_arm" not in results(document)["numbers"]


def test_a_described_arm_beside_the_bare_rigs_zero(document: Document) -> None:
    own_nm = 3.0 * 9.81 * (1.0 - 1.2 / 8000.0) * 0.3
    bare = Zero(fixed_id(70), fixed_id(8), fixed_id(71), "2026-05-04T08:00:00.000Z",
                ZERO_COUNTS - COUNTS_PER_NM * (own_nm + 1.0), 5.0, 400, "bare rig")  # fmt: skip
    made = replace(document.made, arm=replace(document.made.arm, dof=4.0, **OWN))
    described = replace(document, made=made, bare=bare)
    text = Reader(render(described, TorqueUnit.NM)).text
    assert "computed: 8.83 ± 0.24 N·m, part of the zero" in text
    assert "DOES NOT AGREE: what is not known may be why, or the arm is not balanced as described" in text
    assert "normal, 4 degrees of freedom" in text
    found = results(described)["empty_arm"]
    assert found["computed"]["nm"] == pytest.approx(own_nm, rel=1e-4)
    assert found["difference"]["nm"] == pytest.approx(1.0, abs=0.02)
    assert data(described)["arm"]["own_mass_kg"] == 3.0


def test_a_second_arm_that_shows_the_pull_to_the_side(document: Document) -> None:
    pulled = with_second_arm(document, 0.01)
    text = Reader(render(pulled, TorqueUnit.NM)).text
    assert "Second arm" in text
    assert "The weights' pull to the side shows; against a load that only turns" in text
    found = results(pulled)["numbers"]["second_arm"]
    assert found["overall"]["difference_percent"] == pytest.approx(1.0, abs=0.02)
    assert found["overall"]["told_apart"]
    assert found["q"] == pytest.approx(0.5 / 0.3)
    (term,) = (one for one in results(pulled)["numbers"]["budgets"][-1]["terms"] if one["symbol"] == "q·b_l")
    assert term["width"] / 321.8 == pytest.approx(0.01 * 0.5 / 0.3, rel=0.03)


def test_in_pound_feet(document: Document) -> None:
    pulled = with_second_arm(document, 0.01)
    second = pulled.numbers().basis.second
    assert second is not None
    per_unit = second.levels[-1].second_counts_per_nm * NM_PER_LBF_FT
    text = Reader(render(pulled, TorqueUnit.LBF_FT)).text
    assert f"{per_unit:.2f}" in text
    assert f"{second.levels[-1].torque_nm / NM_PER_LBF_FT:.2f}" in text


def test_what_the_lengths_account_for_is_no_pull_to_the_side(document: Document) -> None:
    second = with_second_arm(document, 0.0001).numbers().basis.second
    assert second is not None
    assert "so a pull to the side is not told from them" in tell_second_arm(second)[0]


def test_the_empty_arm_in_words() -> None:
    one = Moment(9.7312, 0.3873)
    assert tell_empty_arm(EmptyArm(None, None, None, ()), TorqueUnit.NM) == NOT_STATED
    assert tell_empty_arm(EmptyArm(None, one, None, ()), TorqueUnit.NM).endswith(
        "putting it on changed the zero by 9.73 ± 0.39 N·m"
    )
    assert tell_empty_arm(EmptyArm(one, None, None, ()), TorqueUnit.NM) == (
        "computed: 9.73 ± 0.39 N·m, part of the zero; the bare rig was not read before, so nothing is there "
        "to compare it with"
    )
    told = tell_empty_arm(
        EmptyArm(one, one, Moment(0.0, 0.5), ("what the preloads do to it",)), TorqueUnit.NM
    )
    assert told.endswith("differ by 0.00 ± 0.50 N·m (without what the preloads do to it: not known): agrees")
    apart = tell_empty_arm(EmptyArm(one, one, Moment(0.6, 0.5), ()), TorqueUnit.NM)
    assert "differ by 0.60 ± 0.50 N·m: DOES NOT AGREE: the arm is not balanced as described" in apart
    assert apart.endswith("or something else hangs on it or touches it")
