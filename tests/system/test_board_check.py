"""The check of a virtual rig: a sound one passes, and each fault planted in nature has its line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.cli.main import cli
from anviltrace.records import RingDown, Run, RunKind, ShuntReading
from anviltrace.virtual.scenario import load

HX711 = """
based_on = "deadweight-hx711"
[converter]
name = "hx711"
rate_hz = 80
noise_nv = 90.0
excitation_v = 4.27
"""
FAULTS = {
    "hum": 'based_on = "deadweight-nau7802"\n[transducer]\nhum_mv_per_v = 0.0002\n',
    "polarity": 'based_on = "deadweight-hx711"\n[transducer]\nsensitivity_mv_per_v_per_nm = -0.004127\n',
    "drift": 'based_on = "deadweight-hx711"\n[transducer]\nzero_drift_mv_per_v_per_k = 0.01\n',
    "shunt": 'based_on = "deadweight-hx711"\n[shunts]\n"100 kilohm" = { resistor_ohm = 90_900.0 }\n',
    "zero": 'based_on = "deadweight-hx711"\n[transducer]\nzero_mv_per_v = 1.4\n',
    "noise": 'based_on = "deadweight-hx711"\n[transducer]\nnoise_mv_per_v = 0.003\n',
    "rate": HX711 + "clock_error_ppm = 70_000.0\n",
    "codes": HX711 + "stale_share = 0.2\n",
    "codes, in steps": HX711 + "step_nv = 12.0\n",
}
"""What nature does wrong, by the line that has to tell it."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's user files."""
    folder = tmp_path_factory.mktemp("check")
    copy_demo_files(folder, "bench.toml", "weights.toml")
    return folder


def check(folder: Path, port: str, *words: str, code: int = 0) -> dict[str, Any]:
    files = ["--bench", str(folder / "bench.toml"), "--inventory", str(folder / "weights.toml")]
    archive = ["--archive", str(folder / "bench.anviltrace")]
    told = CliRunner().invoke(cli, ["board", "check", "--port", port, *files, *archive, *words, "--json"])
    failed = told.exception is not None and not isinstance(told.exception, SystemExit)
    found = getattr(told.exception, "exit_code", None) if failed else told.exit_code
    assert found == code, f"{told.exception} {told.output}"
    return dict(json.loads(told.stdout))


def verdicts(facts: dict[str, Any]) -> dict[str, str]:
    return {line["name"]: line["verdict"] for line in facts["lines"]}


def test_a_sound_rig_passes_all_of_it_and_its_ring_down_is_on_record(folder: Path) -> None:
    facts = check(folder, "virtual://fishplate-fixed?seed=3", "--seconds", "12",
                  "--pictures", str(folder / "pictures"))  # fmt: skip
    assert set(verdicts(facts).values()) == {"pass"}, facts
    data = {line["name"]: line["data"] for line in facts["lines"]}
    truth = load("fishplate-fixed").transducer
    assert data["ring"]["natural_hz"] == pytest.approx(truth.natural_hz, rel=1e-3)
    assert data["damping"]["damping_ratio"] == pytest.approx(truth.damping, rel=0.02)
    assert data["hum"]["hum_uv_per_v"] == pytest.approx(1000.0 * truth.hum_mv_per_v, rel=0.2)
    assert data["zero"]["zero_uv_per_v"] == pytest.approx(1000.0 * truth.zero_mv_per_v, abs=1.0)
    assert sorted(Path(path).name for path in facts["pictures"]) == ["ring-down.png", "spectrum.png"]
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        session_id = facts["session"]
        assert len(archive.all(RingDown, session_id=session_id)) == 1
        assert len(archive.all(ShuntReading, session_id=session_id)) == 1
        kinds = [run.kind for run in archive.all(Run, session_id=session_id)]
        assert kinds == [RunKind.CHECK] * 5 + [RunKind.TAP]  # at rest, pushed, three for the shunt, taps
        assert archive.verify() == []


def test_worked_out_again_it_is_the_same_but_for_the_jitter(folder: Path) -> None:
    facts = check(folder, "virtual://fishplate-fixed?seed=4", "--seconds", "3")
    again = CliRunner().invoke(
        cli,
        ["board", "check", "--run", facts["run"], "--archive", str(folder / "bench.anviltrace"), "--json"],
    )
    assert again.exit_code == 0, again.output
    second = json.loads(again.stdout)
    for one, two in zip(facts["lines"], second["lines"], strict=True):
        assert one == two or one["name"] in ("jitter", "shunt")
    assert verdicts(second)["jitter"] == "not done"


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_has_its_line(folder: Path, tmp_path: Path, name: str) -> None:
    file = tmp_path / "faulty.toml"
    file.write_text(FAULTS[name], encoding="utf-8")
    line = name.split(",")[0]
    fails = line in ("polarity", "shunt", "zero", "codes")
    acts = [word for act in ("polarity", "shunt") if act != line for word in ("--without", act)]
    facts = check(
        folder, f"virtual://{file}?seed=5", "--seconds", "15", *acts, code=12 if fails else 0
    )  # fmt: skip
    found = verdicts(facts)
    assert found.pop(line) == ("fail" if fails else "look")
    assert found.pop("ring") == "not done"  # too slow
    if line == "noise":
        found.pop("drift")  # so much noise leaves it open
    assert set(found.values()) <= {"pass", "not done"}


def test_a_rig_read_by_a_state_machine_passes_however_often_it_is_started(folder: Path) -> None:
    """Six recordings in one conversation, at two rates, by PIO and DMA."""
    facts = check(folder, "virtual://fishplate-fast?seed=8", "--seconds", "3", "--rate", "30000")
    found = verdicts(facts)
    assert found.pop("drift") == "not done"  # too short
    assert set(found.values()) == {"pass"}, facts


def test_the_transducer_temperature_is_told(folder: Path) -> None:
    acts = [word for act in ("polarity", "shunt", "ring") for word in ("--without", act)]
    facts = check(folder, "virtual://fishplate-sensors?seed=9", "--seconds", "3", *acts)
    line = facts["lines"][-1]
    assert (line["name"], line["verdict"]) == ("sensors", "pass")
    assert line["data"]["temperature_c"] == pytest.approx(17.5, abs=0.2)


def test_a_slow_converter_says_what_it_cannot_tell(folder: Path) -> None:
    found = verdicts(check(folder, "virtual://deadweight-hx711?seed=6", "--seconds", "15"))
    assert (found.pop("hum"), found.pop("ring")) == ("not done", "not done")
    assert set(found.values()) == {"pass"}
