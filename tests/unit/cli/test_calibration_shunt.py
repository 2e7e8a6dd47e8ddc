"""Shunt readings with a person at a stand-in board: on their own, with a calibration, around runs."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from standin import Script, StandIn
from weightsfile import weights_file

from anviltrace.archive import Archive
from anviltrace.calibration.stability import look_at
from anviltrace.cli import calibration_temperature, hands, weights
from anviltrace.records import Calibration, Run, RunKind, ShuntReading, new_id

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

WEIGHTS = weights_file(
    """
[[shunt]]
name = "100 kilohm"
resistor_ohm = 100000
resistor_within_percent = 0.1
bridge_ohm = 350
bridge_within_percent = 0.3
""",
    reading="window_s = 1\nlongest_s = 5",
)
SECOND = """
[[shunt]]
name = "5 kilohm"
resistor_ohm = 5000
resistor_within_percent = 0.1
bridge_ohm = 350
bridge_within_percent = 0.3
"""
BENCH = """
[rig]
name = "fishplate stand"
kind = "held"

[[tool]]
name = "Ostrelby"

[[supply]]
name = "pack A"
kind = "pack"
"""
PLAN = """
name = "fishplate bolt, tightening"
rotation = "cw"
thread = "right"
duty = "tightening"
start = "slack"
drive_s = 1
zero_s = 0.5
"""
NET = 100_000.0
"""Counts that the resistor makes of the stand-in's bridge."""
SHUNT = ("calibration", "shunt")
RECORD = ("calibration", "record", "--arm", "long arm", "--direction", "cw")
CAPTURE = ("capture", "plan.toml", "--tool", "Ostrelby", "--supply", "pack A", "--yes")
Command = Callable[..., Any]


class Stand(StandIn):
    """A board on a rig with weights and a resistor, whose gain can change."""

    torque_nm, shunt, gain = 0.0, False, 1.0

    def show(self) -> None:
        level = 1000.0 + self.gain * (2000.0 * self.torque_nm + (NET if self.shunt else 0.0))
        self.script.signal = lambda index: np.rint(level + index * 7 % 5 - 2).astype(np.int32)

    def obey(self, text: str) -> None:
        if "resistor" in text:
            self.shunt = text.startswith("Lay")
        else:
            self.torque_nm = float(text.split(" N·m")[0].split()[-1]) if " N·m" in text else 0.0
        self.show()


@pytest.fixture
def board() -> Iterator[Stand]:
    with Stand(Script()) as running:
        running.show()
        yield running


@pytest.fixture
def asked(board: Stand, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What a person was asked for; they do it."""
    texts: list[str] = []

    def ask(text: str) -> None:
        texts.append(text)
        board.obey(text)

    for module in (weights, hands):
        monkeypatch.setattr(module, "_ask", ask)
    monkeypatch.setattr(calibration_temperature, "ask_temperature", lambda: None)
    return texts


@pytest.fixture
def archive(tmp_path: Path, board: Stand, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the user files, to work in; no archive yet."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ANVILTRACE_PORT", board.url)
    for name, text in (("weights.toml", WEIGHTS), ("bench.toml", BENCH), ("plan.toml", PLAN)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path / "bench.anviltrace"


def kept(path: Path) -> list[ShuntReading]:
    with Archive.open(path, read_only=True) as opened:
        assert opened.verify() == []
        return opened.all(ShuntReading)


def taken(run_command: Command, archive: Path, *more: str) -> dict[str, Any]:
    done = run_command(archive, *SHUNT, "--json", *more)
    assert done.code == 0, done.err
    return json.loads(done.out)


def test_a_person_is_led_through(archive: Path, asked: list[str], run_command: Command) -> None:
    done = run_command(archive, *SHUNT, "--operator", "T. Ester", "--note", "before lunch")
    assert done.code == 0, done.err
    assert [text.split(",")[0] for text in asked] == [
        "Lay the resistor 100 kilohm (100000 Ω) across the arm of the bridge",
        "Take the resistor 100 kilohm off; hands off",
    ]
    for words in (
        "Pack out of the tool", "low supply voltage", "Hands off the weights",
        "reading: without the shunt", "reading: with the shunt", "reading: without it again",
    ):  # fmt: skip
        assert words in done.err
    for words in (
        "Shunt 100 kilohm on fishplate stand: 100000 Ω across an arm of 350 Ω", "reading    100000.0",
        " counts", "computed   0.873", "Only counts", "does not replace dead weights",
        "0 checks of this kind before",
    ):  # fmt: skip
        assert words in done.out
    assert "agree" not in done.out.lower().replace("disagree", "")


def test_what_is_kept_gives_the_readings_again(archive: Path, asked: list[str], run_command: Command) -> None:
    facts = taken(run_command, archive, "--with", "100 kilohm")
    assert asked
    (one,) = kept(archive)
    with Archive.open(archive, read_only=True) as opened:
        for run_id, mean in (
            (one.before_run_id, one.before_counts),
            (one.shunt_run_id, one.shunt_counts),
            (one.after_run_id, one.after_counts),
        ):
            assert opened.get(Run, run_id).kind is RunKind.CHECK
            assert look_at(opened.counts(run_id)[-one.samples :]).mean_counts == mean
    assert (one.id, one.calibration_id) == (facts["id"], None)
    assert facts["net_counts"] == pytest.approx(NET, abs=1.0)
    assert (facts["reading_mv_per_v"], facts["agrees"], facts["since_last"]) == (None, None, None)
    assert facts["computed_mv_per_v"] == pytest.approx(0.87347, abs=5e-6)


@pytest.mark.parametrize(("gain", "moved"), [(1.001, False), (0.995, True), (-1.0, True)])
def test_a_changed_gain_is_told(
    gain: float, moved: bool, archive: Path, board: Stand, asked: list[str], run_command: Command
) -> None:
    taken(run_command, archive)
    board.gain = gain
    board.show()
    done = run_command(archive, *SHUNT)
    assert asked
    assert ("Look at plugs" in done.out) is moved
    (facts,) = json.loads(run_command(archive, "calibration", "shunts", "--json").out)
    assert facts["since_last"] == facts["since_first"]
    assert facts["since_last"]["holds"] is not moved
    assert facts["since_last"]["percent"] == pytest.approx(100.0 * (abs(gain) - 1.0), abs=0.002)
    assert facts["since_last"]["other_way"] is (gain < 0.0)
    words = "THE OTHER WAY" if gain < 0.0 else "MOVED" if moved else "holds"
    assert words in run_command(archive, "calibration", "shunts").out


def test_the_control_chart_takes_its_limits_from_the_scatter(
    archive: Path, board: Stand, asked: list[str], run_command: Command
) -> None:
    taken(run_command, archive)
    with Archive.open(archive) as opened:
        (first,) = opened.all(ShuntReading)
        for number in range(8):
            off = (-1) ** number * (20.0 + number)
            opened.put(replace(first, id=new_id(), shunt_counts=first.shunt_counts + off))
    assert taken(run_command, archive)["chart"]["signals"] == []
    board.gain = 1.0015
    board.show()
    facts = taken(run_command, archive)
    assert asked
    assert facts["since_last"]["holds"] is True
    assert any("outside the limits" in signal for signal in facts["chart"]["signals"])
    assert "OUT OF CONTROL" in run_command(archive, "calibration", "shunts").out


def test_a_reading_that_was_taken_badly_can_be_left_out_and_taken_back(
    archive: Path, board: Stand, asked: list[str], run_command: Command
) -> None:
    first = taken(run_command, archive)
    board.gain = 1.05
    board.show()
    bad = taken(run_command, archive)
    assert asked
    done = run_command(
        archive, "calibration", "shunts", "--json", "--discard", bad["id"][:8], "--reason", "clip slid"
    )
    assert done.code == 0, done.err
    assert [one["id"] for one in json.loads(done.out)] == [first["id"]]
    with Archive.open(archive, read_only=True) as opened:
        (decision,) = opened.decisions(opened.get(ShuntReading, bad["id"]).shunt_run_id)
    assert (decision.verdict, decision.reason) == ("discard", "clip slid")
    done = run_command(
        archive, "calibration", "shunts", "--json", "--take-back", bad["id"], "--reason", "it did not"
    )
    assert [one["id"] for one in json.loads(done.out)] == [bad["id"]]
    for words, code in (
        (["--discard", bad["id"]], 2),
        (["--reason", "none"], 2),
        (["--take-back", "zz", "--reason", "x"], 6),
    ):
        assert run_command(archive, "calibration", "shunts", *words).code == code


def test_a_resistor_that_was_not_laid_on(
    archive: Path, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hands, "_ask", asked.append)
    done = run_command(archive, *SHUNT)
    assert done.code == 10
    assert "lay it across one arm of the bridge" in done.err
    assert kept(archive) == []


def test_too_small_a_resistor_is_refused_before_anything_is_read(
    archive: Path, asked: list[str], run_command: Command
) -> None:
    """5 V / 64 of nominal 5 V: 15.6 mV/V; 5 kΩ makes 16.9 mV/V of a bridge of 350 Ω."""
    (archive.parent / "weights.toml").write_text(WEIGHTS + SECOND, encoding="utf-8")
    done = run_command(archive, *SHUNT, "--with", "5 kilohm", "--gain", "64")
    assert (done.code, asked) == (10, [])
    assert (
        "5 kilohm makes 16.91 mV/V, beyond the 15.62 mV/V that the converter can show at gain 64" in done.err
    )
    with Archive.open(archive, read_only=True) as opened:
        assert opened.all(Run) == []


@pytest.mark.parametrize(("command", "code", "words"), [
    ((*SHUNT,), 2, "describes several shunts (100 kilohm, 5 kilohm): choose one with --with"),
    ((*SHUNT, "--with", "20 kilohm"), 8, "no shunt '20 kilohm'"),
    ((*RECORD,), 2, "choose one with --shunt, or leave it out with --no-shunt"),
    ((*RECORD, "--no-shunt", "--shunt", "5 kilohm"), 2, "do not go together"),
    ((*CAPTURE, "--shunt", "20 kilohm"), 8, "no shunt '20 kilohm'"),
])  # fmt: skip
def test_which_one(
    command: tuple[str, ...], code: int, words: str, archive: Path, asked: list[str], run_command: Command
) -> None:
    (archive.parent / "weights.toml").write_text(WEIGHTS + SECOND, encoding="utf-8")
    done = run_command(archive, *command)
    assert (done.code, asked) == (code, [])
    assert words in done.err


def test_none_described(archive: Path, asked: list[str], run_command: Command) -> None:
    (archive.parent / "weights.toml").write_text(WEIGHTS.split("[[shunt]]")[0], encoding="utf-8")
    done = run_command(archive, *SHUNT)
    assert (done.code, asked) == (2, [])
    assert "describes no shunt" in done.err
    assert run_command(archive, *RECORD).code == 0
    assert kept(archive) == []
    assert "calibration shunt" in run_command(archive, "calibration", "shunts").err


class TestWithACalibration:
    def test_before_the_first_reading_and_after_the_last(
        self, archive: Path, asked: list[str], run_command: Command
    ) -> None:
        done = run_command(archive, *RECORD)
        assert done.code == 0, done.err
        laid = [number for number, text in enumerate(asked) if text.startswith("Lay")]
        hung = [number for number, text in enumerate(asked) if text.startswith("Hang")]
        assert laid[0] < min(hung)
        assert max(hung) < laid[1]
        with Archive.open(archive, read_only=True) as opened:
            (made,) = opened.all(Calibration)
        assert [one.calibration_id for one in kept(archive)] == [made.id, made.id]

    def test_show_has_them(self, archive: Path, asked: list[str], run_command: Command) -> None:
        done = run_command(archive, *RECORD, "--json")
        facts = json.loads(done.out)
        assert asked
        assert [one["since_last"] is None for one in facts["shunts"]] == [True, False]
        said = " ".join(run_command(archive, "calibration", "show", facts["id"]).out.split())
        assert said.count("UTC, shunt 100 kilohm: 100000") == 2
        assert "limit 0.20 %): holds." in said

    def test_left_out(self, archive: Path, asked: list[str], run_command: Command) -> None:
        assert run_command(archive, *RECORD, "--no-shunt").code == 0
        assert asked
        assert kept(archive) == []

    @pytest.mark.parametrize("stop_at", ["Lay", "Hang plate A"])
    def test_stopped_and_gone_on_with(
        self,
        stop_at: str,
        archive: Path,
        asked: list[str],
        run_command: Command,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """The one before is kept; if it was not taken, it is taken, whatever was read already."""
        stops(monkeypatch, stop_at)
        assert run_command(archive, *RECORD).code == 1
        assert len(kept(archive)) == (stop_at != "Lay")
        done = run_command(archive, "calibration", "record", "--resume", "--meanwhile", "unloaded")
        assert done.code == 0, done.err
        assert asked
        before, after = kept(archive)
        assert before.calibration_id == after.calibration_id is not None
        assert before.session_id != after.session_id or stop_at == "Lay"

    def test_the_one_before_comes_later_where_it_was_left_out(
        self, archive: Path, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stops(monkeypatch, "Hang plate A")
        assert run_command(archive, *RECORD, "--no-shunt").code == 1
        done = run_command(archive, "calibration", "record", "--resume", "--meanwhile", "untouched")
        assert done.code == 0, done.err
        assert asked
        assert [one.note for one in kept(archive)] == ["taken when the calibration went on", ""]

    def test_a_stop_at_the_last_leaves_a_whole_calibration(
        self, archive: Path, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stops(monkeypatch, "Lay", after=1)
        done = run_command(archive, *RECORD, "--json")
        assert done.code == 0, done.err
        assert asked
        assert "NO SHUNT READING afterwards: stopped" in done.err
        assert len(kept(archive)) == 1
        assert json.loads(run_command(archive, "calibration", "list", "--json").out)[0]["why_not"] == ""

    def test_one_that_moved_is_a_doubt(
        self, archive: Path, board: Stand, asked: list[str], run_command: Command
    ) -> None:
        assert run_command(archive, *RECORD).code == 0
        assert json.loads(run_command(archive, "calibration", "list", "--json").out)[0]["doubts"] == []
        board.gain = 1.01
        board.show()
        taken(run_command, archive)
        assert asked
        (doubt,) = json.loads(run_command(archive, "calibration", "list", "--json").out)[0]["doubts"]
        assert "shunt 100 kilohm moved by +1.00 % against that taken with it (limit 0.20 %)" in doubt


class TestAroundRuns:
    def test_before_and_after(
        self, archive: Path, board: Stand, asked: list[str], run_command: Command
    ) -> None:
        done = run_command(archive, *CAPTURE, "--shunt", "100 kilohm", "--json")
        assert done.code == 0, done.err
        assert board.shunt is False
        order = [text.split()[0] for text in asked]
        assert order[0] == "Lay"
        assert order[-2:] == ["Lay", "Take"]
        facts = json.loads(done.out)["shunt"]
        assert facts["before"]["net_counts"] == pytest.approx(NET, abs=1.0)
        assert facts["after"]["since_last"]["holds"] is True
        session_ids = {one.session_id for one in kept(archive)}
        with Archive.open(archive, read_only=True) as opened:
            assert session_ids == {run.session_id for run in opened.all(Run)}

    def test_one_that_moved_while_the_tool_ran_is_told_at_once(
        self,
        archive: Path,
        board: Stand,
        asked: list[str],
        run_command: Command,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        assert run_command(archive, *RECORD).code == 0
        at_the_stand = hands._ask

        def ask(text: str) -> None:
            if text.startswith("Take the tool off"):
                board.gain = 1.01
            at_the_stand(text)

        monkeypatch.setattr(hands, "_ask", ask)
        done = run_command(archive, *CAPTURE, "--shunt", "100 kilohm")
        assert done.code == 0, done.err
        assert asked
        assert done.err.count("DOUBTFUL") == 1
        assert "the reading of the shunt 100 kilohm moved by +1.00 % against that taken with it" in done.err

    def test_only_when_asked_for(self, archive: Path, asked: list[str], run_command: Command) -> None:
        done = run_command(archive, *CAPTURE, "--json")
        assert "shunt" not in json.loads(done.out)
        assert not any("resistor" in text for text in asked)

    def test_a_stop_leaves_the_second_out(
        self, archive: Path, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stops(monkeypatch, "Seat")
        done = run_command(archive, *CAPTURE, "--shunt", "100 kilohm")
        assert done.code == 1
        assert asked
        assert "NO SHUNT READING afterwards: what comes before it was broken off" in done.err
        assert len(kept(archive)) == 1

    def test_a_loose_resistor_does_not_keep_runs_from_being_recorded(
        self, archive: Path, asked: list[str], run_command: Command, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(hands, "_ask", asked.append)
        done = run_command(archive, *CAPTURE, "--shunt", "100 kilohm", "--json")
        assert done.code == 0, done.err
        assert done.err.count("NO SHUNT READING") == 2
        assert json.loads(done.out)["shunt"] == {"before": None, "after": None}
        assert len(json.loads(done.out)["runs"]) == 1


def stops(monkeypatch: pytest.MonkeyPatch, beginning: str, after: int = 0) -> None:
    """The person stops, once, when asked for what begins like this for the time after so many."""
    at_the_stand, seen = hands._ask, []

    def ask(text: str) -> None:
        if text.startswith(beginning):
            seen.append(text)
            if len(seen) == after + 1:
                raise KeyboardInterrupt
        at_the_stand(text)

    for module in (weights, hands):
        monkeypatch.setattr(module, "_ask", ask)
