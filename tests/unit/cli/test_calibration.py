"""``anviltrace calibration`` with a person at a stand-in board: what is asked, answers, error lines."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from standin import Script, StandIn
from weightsfile import weights_file

from anviltrace.archive import Archive
from anviltrace.calibration.instructions import Doubt, Wish
from anviltrace.cli import calibration_temperature, weights
from anviltrace.cli import main as main_module
from anviltrace.cli.main import cli
from anviltrace.errors import UnpluggedError
from anviltrace.records import Calibration, Run, Temperature

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

WEIGHTS = weights_file(hanger="hanger <b>", reading="")

BENCH = """
[rig]
name = "fishplate stand"
kind = "held"
"""


@pytest.fixture
def board() -> Iterator[StandIn]:
    with StandIn(Script(signal=lambda index: (index % 5).astype(np.int32))) as running:
        yield running


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with weights and bench file, to work in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "weights.toml").write_text(WEIGHTS, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


def hang(board: StandIn, text: str) -> None:
    torque_nm = float(text.split(" N·m")[0].split()[-1]) if " N·m" in text else 0.0
    board.script.signal = lambda index: np.rint(2000.0 * torque_nm + index % 5).astype(np.int32)


@pytest.fixture
def person(board: StandIn, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Somebody who does what is asked: the torque named in the text then hangs. Collects the texts."""
    asked: list[str] = []

    def ask(text: str) -> None:
        asked.append(text)
        hang(board, text)

    monkeypatch.setattr(weights, "_ask", ask)
    monkeypatch.setattr(calibration_temperature, "ask_temperature", lambda: None)
    return asked


def record(port: str, *more: str) -> list[str]:
    return ["calibration", "record", "--arm", "long arm", "--direction", "cw", "--port", port, *more]


def test_a_person_is_led_through(board: StandIn, files: Path, person: list[str]) -> None:
    result = CliRunner().invoke(cli, record(board.url), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    for words in ("Hung weights fall", "Nobody under the arm", "reading 5 of 5: nothing, 0.0 N·m"):
        assert words in result.stderr
    assert person[0].startswith("Fit long arm, level and bare, so that weights turn it clockwise")
    assert person[1] == "Hang hanger <b>: 1.000 kg, 7.8 N·m then hang. Secure, let go, stand clear"
    assert person[2].startswith("Hang plate A: 11.000 kg, 86.3 N·m then hang")
    assert person[3].startswith("Take off plate A: 1.000 kg")
    assert "counts per N·m" in result.stdout
    assert "hanger <b>, plate A" in result.stdout
    with Archive.open(files / "bench.anviltrace", read_only=True) as archive:
        (made,) = archive.all(Calibration)
    assert made.id[:8] in result.stdout
    assert made.gravity_source == "GRS80 at 52° latitude, 50 m"


def test_temperatures_are_asked_for_and_kept(
    board: StandIn, files: Path, person: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    monkeypatch.chdir(files)
    monkeypatch.setattr(weights, "_ask", lambda text: hang(board, text))
    typed = "warm\n999\n17,5\n19.0\n"
    result = CliRunner().invoke(cli, record(board.url, "--json"), input=typed, catch_exceptions=False)
    assert result.stderr.count("Temperature at the transducer in °C, empty: not measured") == 4
    assert "“warm” is no number" in result.stderr
    assert "999 °C lies outside" in result.stderr
    made = json.loads(result.stdout)
    assert (made["temperature"]["start_c"], made["temperature"]["end_c"]) == (17.5, 19.0)
    assert made["temperature"]["change_k"] == 1.5
    assert len(made["temperature"]["flags"]) == 2
    assert "TEMPERATURE: 17.5 °C at the start, not 18 to 28 °C" in result.stderr
    assert "TEMPERATURE: the temperature changed by +1.5 K" in result.stderr
    with Archive.open(files / "bench.anviltrace", read_only=True) as archive:
        first, last = archive.all(Temperature)
    assert first.calibration_id == last.calibration_id == made["id"]
    assert first.u_c == pytest.approx(0.5 / math.sqrt(3.0))
    assert person == []


def test_options_give_temperatures(board: StandIn, files: Path, person: list[str]) -> None:  # noqa: ARG001
    more = ("--temperature", "21", "--temperature-end", "21.5", "--temperature-within", "0.1")
    CliRunner().invoke(cli, record(board.url, *more), catch_exceptions=False)
    with Archive.open(files / "bench.anviltrace", read_only=True) as archive:
        assert [one.temperature_c for one in archive.all(Temperature)] == [21.0, 21.5]
        assert archive.all(Temperature)[0].u_c == pytest.approx(0.1 / math.sqrt(3.0))
    for bad in ("nan", "-41", "86"):
        refused = CliRunner().invoke(cli, record(board.url, "--temperature", bad))
        assert refused.exit_code == 2


def test_json_is_all_there_is_on_stdout(board: StandIn, files: Path, person: list[str]) -> None:  # noqa: ARG001
    result = CliRunner().invoke(
        cli, record(board.url, "--json", "--note", "new cable"), catch_exceptions=False
    )
    facts = json.loads(result.stdout)
    assert facts["note"] == "new cable"
    assert facts["sensitivity"]["counts_per_torque_unit"] == pytest.approx(2000.0, rel=1e-3)
    assert facts["sensitivity"]["mv_per_v_per_torque_unit"] is None  # the excitation is nominal
    assert [step["branch"] for step in facts["steps"]] == ["zero", "up", "up", "down", "zero"]
    assert sum(part["share_percent"] for part in facts["contributions"]) == pytest.approx(100.0)
    assert facts["range"]["limit"] == facts["range"]["highest"]  # two loads cannot tell about a bend


def test_the_list_names_what_is_not_whole(
    board: StandIn, files: Path, person: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    at_the_stand = weights._ask

    def ask_and_trip_over_the_cable(text: str) -> None:
        at_the_stand(text)
        if text.startswith("Hang plate A"):
            board.script.unplug_at = 4

    monkeypatch.setattr(weights, "_ask", ask_and_trip_over_the_cable)
    assert isinstance(CliRunner().invoke(cli, record(board.url)).exception, UnpluggedError)
    listed = CliRunner().invoke(cli, ["calibration", "list", "--json"], catch_exceptions=False)
    (line,) = json.loads(listed.stdout)
    assert "unfinished: series 1 of 1 (mounting 1 of 1) lacks 3 of its 5 readings" in line["why_not"]
    assert line["highest"] is None
    assert "not valid" in CliRunner().invoke(cli, ["calibration", "list"], catch_exceptions=False).stdout
    assert person
    assert (files / "bench.anviltrace").exists()


def edited(old: str, new: str):
    return lambda folder: (folder / "weights.toml").write_text(WEIGHTS.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize(("spoil", "more", "code", "words"), [
    (edited("mass_kg = 10.0", "mass_kg = nan"), [], 8, "not finite"),
    (edited("mass_kg = 10.0", "mass_kg = -1"), [], 8, "lies outside"),
    (edited("length_m = 0.8", "length_m = 0"), [], 8, "arm 1.length_m = 0"),
    (edited("mass_kg = 10.0", "mass_stone = 1"), [], 8, "does not know 'mass_stone'"),
    (edited("long arm", "short arm"), [], 8, "no arm 'long arm'"),
    (edited('name = "plate A"', 'name = "plate A"\ncheck = true'), [], 10, "two different loads at least"),
    (edited("count = 0", "count = 0\n[[step]]\nmasses = ['plate A', 'plate A']"), [], 10, "2 times"),
    (lambda folder: (folder / "bench.toml").unlink(), [], 8, "check the name"),
    (lambda _: None, ["--rate", "333"], 4, "rate"),
])  # fmt: skip
def test_one_error_line_and_its_exit_code(
    spoil, more: list[str], code: int, words: str, board: StandIn, files: Path, monkeypatch, capsys
) -> None:
    spoil(files)
    monkeypatch.setattr(sys, "argv", ["anviltrace", *record(board.url, *more)])
    with pytest.raises(SystemExit) as caught:
        main_module.main()
    printed = capsys.readouterr()
    assert caught.value.code == code
    assert printed.out == ""
    assert printed.err.startswith("error: ")
    assert printed.err.count("\n") == 1
    assert words in printed.err


@pytest.mark.parametrize("option", [["--linear-to", "nan"], ["--rate", "inf"], ["--direction", "up"]])
def test_options_that_make_no_sense(option: list[str], board: StandIn, files: Path) -> None:  # noqa: ARG001
    assert CliRunner().invoke(cli, record(board.url, *option)).exit_code == 2


def test_nothing_there_yet(files: Path) -> None:
    with Archive.open(files / "bench.anviltrace", create=True):
        pass
    listed = CliRunner().invoke(cli, ["calibration", "list"])
    assert (listed.exit_code, listed.stdout) == (0, "")
    assert "calibration record" in listed.stderr


@pytest.fixture
def fickle(person: list[str], monkeypatch: pytest.MonkeyPatch) -> dict[str, list[object]]:
    """Words typed instead of Enter alone, or errors raised, in turn, by the beginning of the text."""
    at_the_stand, answers = weights._ask, {}

    def ask(text: str) -> str:
        for beginning, waiting in answers.items():
            if text.startswith(beginning) and waiting:
                answer = waiting.pop(0)
                if isinstance(answer, type):
                    raise answer
                return str(answer)
        at_the_stand(text)
        return ""

    monkeypatch.setattr(weights, "_ask", ask)
    assert person == []
    return answers


def runs_of(folder: Path) -> list[Run]:
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        return archive.all(Run)


def test_again_and_anew_are_told_and_taken(
    board: StandIn, files: Path, fickle: dict[str, list[object]]
) -> None:
    fickle["Hang plate A"] = ["agian", "again"]
    fickle["Take off hanger"] = ["anew"]
    result = CliRunner().invoke(cli, record(board.url), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "“again” repeats the reading just taken" in result.stderr
    assert "“agian” is not known here" in result.stderr
    assert "out of the line: repeated at the wish of the operator" in result.stderr
    assert "out of the line: begun anew at the wish of the operator" in result.stderr
    assert len(runs_of(files)) == 1 + 2 + 2 + 5
    shown = json.loads(CliRunner().invoke(cli, ["calibration", "list", "--json"]).stdout)
    assert shown[0]["why_not"] == ""


def test_a_wrong_weight_is_asked_about(
    board: StandIn, files: Path, person: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    right = weights._ask
    said: list[str] = []

    def forget_the_plate(text: str) -> None:
        right(text)
        if text.startswith("Take off plate A"):
            right("150 N·m")

    def doubt(self: weights.PersonWeights, step: Doubt) -> Wish:
        said.append(step.reason)
        right(f"{step.asked.torque_nm} N·m")
        return at_the_terminal(self, step)

    at_the_terminal = weights.PersonWeights.doubt
    monkeypatch.setattr(weights, "_ask", forget_the_plate)
    monkeypatch.setattr(weights.PersonWeights, "doubt", doubt)
    result = CliRunner().invoke(cli, record(board.url), input="again\n", catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert said[0].startswith("reading 4 is ")
    assert "NOT KEPT: reading 4 is " in result.stderr
    assert len(runs_of(files)) == 6
    assert person


def test_stopped_and_gone_on_with(board: StandIn, files: Path, fickle: dict[str, list[object]]) -> None:
    fickle["Take off plate A"] = [KeyboardInterrupt]
    stopped = CliRunner().invoke(cli, record(board.url, "--temperature", "20"))
    assert stopped.exit_code == 1
    (run,) = {line for line in stopped.stderr.splitlines() if line.startswith("Stopped")}
    assert len(runs_of(files)) == 3
    words = run.split("anviltrace ")[1].split()
    degrees = ("--temperature", "25", "--temperature-end", "20.5")
    again = [*words, "--port", board.url, *degrees]
    on = CliRunner().invoke(cli, again, input="untouched\n", catch_exceptions=False)
    assert on.exit_code == 0, on.output
    assert "Kept: 20 °C at the start, as on record." in on.stderr
    with Archive.open(files / "bench.anviltrace", read_only=True) as archive:
        assert [one.temperature_c for one in archive.all(Temperature)] == [20.0, 20.5]
    assert "the series begins anew with a zero" in on.stderr
    assert len(runs_of(files)) == 5
    none = CliRunner().invoke(cli, [*words, "--port", board.url])
    assert "no unfinished calibration" in str(none.exception)


@pytest.mark.parametrize(("words", "said"), [
    (["--direction", "cw"], "needs --arm and --direction"),
    (["--arm", "long arm", "--direction", "cw", "--meanwhile", "untouched"], "leave it out"),
    (["--arm", "long arm", "--direction", "cw", "--second-arm", "short arm"], "belongs to --course full"),
    (["--resume", "12ab", "--arm", "long arm"], "with the arms and direction it began with"),
])  # fmt: skip
def test_options_that_do_not_go_together(board: StandIn, files: Path, words: list[str], said: str) -> None:
    result = CliRunner().invoke(cli, ["calibration", "record", "--port", board.url, *words])
    assert result.exit_code == 2
    assert said in result.stderr
    assert not (files / "bench.anviltrace").exists()
