"""``anviltrace board check``: words, exit codes, what is left out, and a check worked out again."""

from __future__ import annotations

import json
import os
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from standin import Script, StandIn

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

BENCH = '[rig]\nname = "stud rig"\nkind = "fixed"\n'
SCATTER = np.random.default_rng(1).standard_normal(1 << 16)


def noise(index: np.ndarray) -> np.ndarray:
    """Noise of 5 counts about 5000: the same for the same index."""
    return np.rint(5000.0 + 5.0 * SCATTER[index % SCATTER.size]).astype(np.int32)


@pytest.fixture
def check(tmp_path: Path, run_command: Any) -> Any:
    """``check(signal, "--yes")`` checks a stand-in board that sends the signal."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    archive = tmp_path / "bench.anviltrace"

    def run(signal: Any, *words: str) -> Any:
        bench = ["--bench", str(tmp_path / "bench.toml"), "--inventory", str(tmp_path / "weights.toml")]
        if signal is None:
            return run_command(archive, "board", "check", *bench, *words)
        with StandIn(Script(signal=signal)) as board:
            port = ["--port", board.url, "--rate", "1000", "--gain", "64", "--seconds", "12"]
            return run_command(archive, "board", "check", *bench, *port, *words)

    return run


def verdicts(outcome: Any) -> dict[str, str]:
    return {line["name"]: line["verdict"] for line in json.loads(outcome.out)["lines"]}


def test_what_needs_a_hand_is_not_done_with_yes_and_never_passes(check: Any) -> None:
    outcome = check(noise, "--yes", "--json")
    assert outcome.code == 0, outcome.err
    found = verdicts(outcome)
    assert {found.pop(name) for name in ("polarity", "shunt", "ring")} == {"not done"}
    assert set(found.values()) == {"pass"}
    facts = json.loads(outcome.out)
    assert facts["counts"] == {"pass": 10, "look": 0, "fail": 0, "not done": 3}
    assert facts["nm_per_count"] is None
    assert facts["limits"]["zero_look_share"] == 0.1
    assert all(line["reason_of_limit"] for line in facts["lines"])


def test_without_a_terminal_nobody_is_asked(check: Any) -> None:
    outcome = check(noise, "--json")
    lines = {line["name"]: line for line in json.loads(outcome.out)["lines"]}
    reasons = {lines[name]["advice"] for name in ("polarity", "shunt", "ring")}
    assert reasons == {"it needs a hand: leave out --yes, at a terminal"}


def test_a_table_for_a_person_and_cautions(check: Any) -> None:
    outcome = check(noise, "--yes")
    assert "Pack out of the tool" in outcome.err
    assert "hands off: recording 12 s at rest" in outcome.err
    assert "NOT DONE" in outcome.out
    assert "noise-free bits" in outcome.out
    assert "polarity: it needs a hand" in outcome.out
    assert outcome.out.rstrip().endswith("10 pass, 3 not done")


def test_a_fail_has_an_exit_code_of_its_own_and_one_line(check: Any) -> None:
    outcome = check(lambda index: np.full(len(index), 8_388_607, np.int32), "--yes")
    assert outcome.code == 12
    (line,) = [line for line in outcome.err.splitlines() if line.startswith("error:")]
    assert "did not pass its check: saturation, zero of 13 lines" in line
    assert "a broken or exchanged wire" in outcome.out


def test_a_check_is_worked_out_again_from_the_counts(check: Any, tmp_path: Path) -> None:
    first = json.loads(check(noise, "--yes", "--json").out)
    again = check(None, "--run", "last", "--json")
    assert again.code == 0, again.err
    second = json.loads(again.out)
    assert second["run"] == first["run"]
    for name in ("zero", "noise", "hum", "codes", "drift", "rate", "samples"):
        (one,), (two,) = (
            [line for line in facts["lines"] if line["name"] == name] for facts in (first, second)
        )
        assert one == two
    assert verdicts(again)["jitter"] == "not done"
    strict = tmp_path / "limits.toml"
    strict.write_text("[limits]\nnoise_fail_bits = 20\nnoise_look_bits = 21\n", encoding="utf-8")
    failed = check(None, "--run", first["run"][:8], "--limits", str(strict))
    assert failed.code == 12
    assert "noise of 13 lines" in failed.err


def test_pictures(check: Any, tmp_path: Path) -> None:
    outcome = check(noise, "--yes", "--json", "--pictures", str(tmp_path / "pictures"))
    (picture,) = json.loads(outcome.out)["pictures"]
    assert Path(picture).read_bytes().startswith(b"\x89PNG")


def test_neither_port_nor_run_is_wrong_usage(check: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("ANVILTRACE_PORT", raising=False)
    assert check(None).code == 2
    assert check(None, "--run", "last").code == 6
    assert check(None, "--nominal", "2.0").code == 2


def test_a_run_that_is_no_check_is_refused(check: Any) -> None:
    check(noise, "--yes")
    assert check(None, "--run", "ffffffff").code == 6


def test_a_person_is_led_through_it(check: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told what to do, one thing at a time; what does not come of it is left out, and the rest goes on."""
    asked: list[str] = []
    pushed = [0]

    def answer(text: str, **_: Any) -> str:
        asked.append(text)
        pushed[0] = 4000 if "push the socket end clockwise" in text else 0
        return ""

    monkeypatch.setattr("click.prompt", answer)
    monkeypatch.setattr("anviltrace.cli.board_check._Acts._may_ask", True)
    outcome = check(lambda index: noise(index) + pushed[0], "--json", "--without", "ring")
    assert outcome.code == 0, outcome.err
    assert [text.split(",")[0] for text in asked] == ["Rig at rest", "With a short bar"]
    assert "Let go." in outcome.err
    found = verdicts(outcome)
    assert (found["polarity"], found["shunt"], found["ring"]) == ("pass", "not done", "not done")
    lines = {line["name"]: line for line in json.loads(outcome.out)["lines"]}
    assert "so no [[shunt]] is described" in lines["shunt"]["advice"]
    assert lines["ring"]["advice"] == "left out by --without"
    assert lines["polarity"]["data"]["moved_counts"] == pytest.approx(4000.0, abs=20.0)


def test_a_resistor_that_shows_nothing_wants_a_look(
    check: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = resources.files("anviltrace.cli.demo") / "weights.toml"
    (tmp_path / "weights.toml").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.setattr("click.prompt", lambda *_, **__: "")
    monkeypatch.setattr("anviltrace.cli.board_check._Acts._may_ask", True)
    outcome = check(noise, "--json", "--without", "ring", "--without", "polarity")
    assert outcome.code == 0, outcome.err
    (line,) = [line for line in json.loads(outcome.out)["lines"] if line["name"] == "shunt"]
    assert (line["verdict"], line["reading"]) == ("look", "came to nothing")
    assert "lay it across one arm of the bridge" in line["advice"]
