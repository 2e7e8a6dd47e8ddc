"""``anviltrace calibration check`` with a person at a stand-in board, on a rig calibrated on paper."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hungweights import ZERO_COUNTS, Nature, calibration, ladder, load_steps
from standin import Script, StandIn
from weightsfile import weights_file

from anviltrace.archive import Archive
from anviltrace.calibration.inventory import Inventory, read_inventory
from anviltrace.calibration.stability import look_at
from anviltrace.capture.benchfile import read_bench
from anviltrace.cli import weights
from anviltrace.cli.capture import open_session
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.records import CheckReading, Run, RunKind, RunState, Session, Settings, new_id

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

WEIGHTS = weights_file(
    """
[[mass]]
name = "plate B"
mass_kg = 10.0
within_kg = 0.02

[[mass]]
name = "check weight <5>"
mass_kg = 5.0
u_kg = 0.0005
check = true
""",
    preload="count = 1\nhold_s = 0",
)
BENCH = """
[rig]
name = "fishplate stand"
kind = "held"
"""
CHECK = ("calibration", "check", "--mass", "check weight <5>", "--arm", "long arm", "--direction", "cw")
Command = Callable[..., Any]


class Stand(StandIn):
    """A board on a rig whose sensitivity can change."""

    counts_per_nm = 2000.0

    def show(self, torque_nm: float) -> None:
        level = ZERO_COUNTS + self.counts_per_nm * torque_nm
        self.script.signal = lambda index: np.rint(level + index * 7 % 5 - 2).astype(np.int32)


@pytest.fixture
def board() -> Iterator[Stand]:
    with Stand(Script()) as running:
        running.show(0.0)
        yield running


@pytest.fixture
def asked(board: Stand, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What a person was asked for; they hang it."""
    texts: list[str] = []

    def ask(text: str) -> None:
        texts.append(text)
        board.show(float(text.split(" N·m")[0].split()[-1]) if " N·m" in text else 0.0)

    monkeypatch.setattr(weights, "_ask", ask)
    return texts


@pytest.fixture
def archive(tmp_path: Path, board: Stand, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An archive with a calibration for clockwise torque, beside weights and bench file."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ANVILTRACE_PORT", board.url)
    (tmp_path / "weights.toml").write_text(WEIGHTS, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    inventory, path = read_inventory(tmp_path / "weights.toml"), tmp_path / "bench.anviltrace"
    with Archive.open(path, create=True) as opened, Link(open_port(board.url)) as link:
        settings = link.configure(None, None)
        session = open_session(opened, link, read_bench(tmp_path / "bench.toml"), settings, "")
        calibrate(opened, session, settings, inventory)
        opened.end_session(session.id)
    return path


def calibrate(opened: Archive, session: Session, settings: Settings, inventory: Inventory) -> None:
    """2,000 counts per N·m, as everything is stated."""
    run = Run(
        new_id(), session.id, settings.id, RunKind.CALIBRATION, RunState.RECORDING, session.started_at, 1
    )
    recording = opened.begin(run)
    recording.append(0, np.zeros(10, np.int32))
    recording.finish()
    lever, site = inventory.arms[0], inventory.site
    made = calibration(
        id=new_id(), session_id=session.id, settings_id=settings.id, arm_id=lever.id,
        taken_at=session.started_at, gravity_m_per_s2=site.gravity_m_per_s2,
        gravity_u_m_per_s2=site.gravity_u_m_per_s2, gravity_source=site.gravity_source,
    )  # fmt: skip
    hung = inventory.masses[:3]
    steps = load_steps(ladder(hung), Nature.as_stated(hung, lever, made))
    for record in (*hung, lever, made):
        opened.put(record)
    for step in steps:
        opened.put(replace(step, id=new_id(), calibration_id=made.id, run_id=run.id))


def earlier_checks(path: Path, count: int) -> None:
    """As many checks again as the one in the archive, a little apart."""
    with Archive.open(path) as opened:
        (first,) = opened.all(CheckReading)
        for number in range(count):
            off = (-1) ** number * (10.0 + number)
            opened.put(replace(first, id=new_id(), load_counts=first.load_counts + off))


def checked(run_command: Command, archive: Path, *more: str) -> dict[str, Any]:
    done = run_command(archive, *CHECK, "--json", *more)
    assert done.code == 0, done.err
    return json.loads(done.out)


def test_a_person_is_led_through(archive: Path, asked: list[str], run_command: Command) -> None:
    done = run_command(archive, *CHECK, "--operator", "T. Ester")
    assert done.code == 0, done.err
    assert asked[0].startswith("Fit long arm, level and bare, so that weights turn it clockwise")
    assert [text.split(":")[0] for text in asked[1:]] == [
        "Hang check weight <5>", "Take off check weight <5>"] * 2  # fmt: skip
    for words in ("Hung weights fall", "reading: zero before", "reading: weight", "reading: zero after"):
        assert words in done.err
    for words in (
        "check weight <5> on long arm", "reading", "reference", "difference", "E_n 0.", ": agrees.",
        "so this says nothing about them: arm length, gravity", "0 checks of this kind before", "± ",
    ):  # fmt: skip
        assert words in done.out
    assert "DOES NOT AGREE" not in done.out


def test_what_is_kept_gives_the_readings_again(archive: Path, asked: list[str], run_command: Command) -> None:
    facts = checked(run_command, archive, "--note", "after the frost")
    assert asked
    with Archive.open(archive, read_only=True) as opened:
        (kept,) = opened.all(CheckReading)
        for run_id, mean in (
            (kept.before_run_id, kept.before_counts),
            (kept.load_run_id, kept.load_counts),
            (kept.after_run_id, kept.after_counts),
        ):
            assert opened.get(Run, run_id).kind is RunKind.CHECK
            assert look_at(opened.counts(run_id)[-kept.samples :]).mean_counts == mean
        assert opened.verify() == []
    assert (kept.id, kept.note) == (facts["id"], "after the frost")
    assert facts["reading"] == pytest.approx(39.2, abs=0.01)  # what the person read off the prompt
    assert facts["reference"] == pytest.approx(5.0 * 9.8124 * 0.8 * (1.0 - 1.2 / 7850.0), abs=0.004)
    assert facts["agrees"] is True
    assert facts["en"] == pytest.approx(abs(facts["difference"]) / facts["difference_expanded"])


def test_a_jump_of_the_sensitivity_shows(
    archive: Path, board: Stand, asked: list[str], run_command: Command
) -> None:
    checked(run_command, archive)
    earlier_checks(archive, 8)
    quiet = checked(run_command, archive)
    assert (quiet["agrees"], quiet["chart"]["signals"], quiet["chart"]["earlier"]) == (True, [], 9)
    board.counts_per_nm = 2030.0
    jumped = checked(run_command, archive)
    assert asked
    assert jumped["agrees"] is False
    change = jumped["difference_percent"] - quiet["difference_percent"]
    assert change == pytest.approx(1.5, abs=0.02)
    assert any("outside the limits" in signal for signal in jumped["chart"]["signals"])
    said = run_command(archive, "calibration", "checks").out
    for words in (
        "DOES NOT AGREE",
        "calibrate anew",
        "OUT OF CONTROL: it lies outside the limits",
        "95 % of checks of a sound rig lie within ±",
        "95 % confidence, n = ",
        "Mean of the 10",
    ):
        assert words in said


def test_in_other_units(archive: Path, asked: list[str], run_command: Command) -> None:
    facts = checked(run_command, archive)
    (again,) = json.loads(run_command(archive, "calibration", "checks", "--json", "--units", "lbf-ft").out)
    assert asked
    assert again["torque_unit"] == "lbf·ft"
    assert again["reference"] == pytest.approx(facts["reference"] / 1.3558179483, rel=1e-9)
    assert again["en"] == pytest.approx(facts["en"], rel=1e-9)


def test_each_kind_has_its_own_chart(archive: Path, asked: list[str], run_command: Command) -> None:
    checked(run_command, archive)
    checked(run_command, archive, "--mass", "hanger")
    found = json.loads(run_command(archive, "calibration", "checks", "--json").out)
    assert asked
    assert [one["masses"] for one in found] == [["check weight <5>"], ["check weight <5>", "hanger"]]
    assert [len(one["chart"]["points"]) for one in found] == [1, 1]


def test_a_check_that_lost_its_calibration_is_still_listed(
    archive: Path, asked: list[str], run_command: Command
) -> None:
    checked(run_command, archive)
    with Archive.open(archive) as opened:
        (kept,) = opened.all(CheckReading)
        opened.put(replace(kept, id=new_id(), sign=-1))
    found = json.loads(run_command(archive, "calibration", "checks", "--json").out)
    assert asked
    assert [bool(one["why_not"]) for one in found] == [False, True]
    assert "no calibration for counter-clockwise" in run_command(archive, "calibration", "checks").out


def test_a_weight_that_keeps_moving_leaves_no_check(
    archive: Path, board: Stand, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_the_stand = weights._ask

    def ask_and_push(text: str) -> None:
        at_the_stand(text)
        if text.startswith("Hang"):
            board.script.signal = lambda index: (index * 20 + 50_000).astype(np.int32)

    monkeypatch.setattr(weights, "_ask", ask_and_push)
    done = run_command(archive, *CHECK)
    assert asked
    assert done.code == 10
    assert "the reading (weight) is not steady after 5 s" in done.err
    with Archive.open(archive, read_only=True) as opened:
        assert opened.all(CheckReading) == []


@pytest.mark.parametrize(("more", "code", "words"), [
    (["--direction", "ccw"], 10, "nothing to check against: no calibration for counter-clockwise"),
    (["--mass", "plate A", "--mass", "plate B", "--mass", "hanger"], 0, ""),
    (["--mass", "plate Z"], 8, "no mass 'plate Z'"),
    (["--arm", "short arm"], 8, "no arm 'short arm'"),
    (["--rate", "nan"], 2, "--rate"),
])  # fmt: skip
def test_refusals_come_before_anything_is_hung(
    more: list[str], code: int, words: str, archive: Path, asked: list[str], run_command: Command
) -> None:
    done = run_command(archive, *CHECK, *more)
    assert done.code == code, done.err
    assert words in done.err
    assert bool(asked) == (code == 0)


def test_an_arm_that_does_not_bear_it(archive: Path, asked: list[str], run_command: Command) -> None:
    file = archive.parent / "weights.toml"
    file.write_text(WEIGHTS.replace("length_m = 0.8", "length_m = 0.8\nhighest_nm = 30"), encoding="utf-8")
    done = run_command(archive, *CHECK)
    assert (done.code, asked) == (10, [])
    assert "39.2 N·m, beyond the 30 N·m that long arm is rated for" in done.err


def test_too_much_to_check_with(archive: Path, asked: list[str], run_command: Command) -> None:
    file = archive.parent / "weights.toml"
    file.write_text(WEIGHTS.replace("mass_kg = 5.0", "mass_kg = 60.0"), encoding="utf-8")
    done = run_command(archive, *CHECK)
    assert (done.code, asked) == (10, [])
    assert "too much to check with" in done.err


def test_nothing_there_yet(archive: Path, run_command: Command) -> None:
    done = run_command(archive, "calibration", "checks")
    assert (done.code, done.out) == (0, "")
    assert "calibration check" in done.err
