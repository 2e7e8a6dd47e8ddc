"""Bad input ends in one clear line with the remedy, a documented exit code, and nothing lost."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-c", "from anviltrace.cli.main import main; main()"]
PLAN = 'name = "p"\nrotation = "cw"\nthread = "none"\nduty = "locked"\nstart = "slack"\ndrive_s = 1.0\n'
BENCH = (
    '[rig]\nname = "rig"\nkind = "held"\n[[tool]]\nname = "Ostrelby"\n'
    '[[supply]]\nname = "fresh pack"\nkind = "pack"\n'
)


def _complaint(folder: Path, *arguments: str) -> tuple[int, str]:
    """Exit code and the one line on stderr."""
    done = subprocess.run(
        [*COMMAND, *arguments], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    line = done.stderr.strip().splitlines()[-1]
    assert line.startswith("error: ")
    assert [text for text in done.stderr.splitlines() if text.startswith("error: ")] == [line]
    return done.returncode, line


def _capture(folder: Path, plan: str | bytes = PLAN, **options: str) -> tuple[int, str]:
    (folder / "plan.toml").write_bytes(plan if isinstance(plan, bytes) else plan.encode())
    (folder / "bench.toml").write_text(BENCH)
    chosen = {"tool": "Ostrelby", "supply": "fresh pack", "port": "virtual://fishplate-fixed", **options}
    words = [word for name, value in chosen.items() for word in (f"--{name}", value)]
    return _complaint(folder, "capture", "plan.toml", "--yes", "--archive", "new.anviltrace", *words)


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (PLAN.replace("drive_s = 1.0", "drive_s = -1.0"), "drive_s"),
        (PLAN.replace("drive_s = 1.0", "drive_s = 86400"), "3600"),
        (PLAN + "before_s = 0.2\n", "before_s"),
        (PLAN + "marks_s = [0.5, 2]\n", "marks_s"),
        (PLAN + "rest_s = nan\n", "rest_s"),
        (PLAN + "repeats = 0\n", "repeats"),
        (PLAN + "repeatz = 2\n", "repeatz"),
        (PLAN.replace('"cw"', '"up"'), "cw, ccw"),
        (PLAN.replace('duty = "locked"\n', ""), "duty"),
        (PLAN.encode() + b"# caf\xe9\n", "UTF-8"),
        (PLAN + "=\n", "TOML"),
    ],
)
def test_a_plan_that_cannot_be(tmp_path: Path, plan: str | bytes, said: str) -> None:
    code, line = _capture(tmp_path, plan)
    assert code == 8
    assert said in line
    assert "plan.toml" in line
    assert not (tmp_path / "new.anviltrace").exists()


def test_a_plan_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    code, line = _complaint(
        tmp_path,
        *("capture", "no.toml", "--tool", "a", "--supply", "b", "--port", "virtual://fishplate-held"),
    )
    assert code == 8
    assert "no.toml" in line


def test_a_tool_the_bench_file_does_not_have(tmp_path: Path) -> None:
    code, line = _capture(tmp_path, tool="Nobody")
    assert code == 8
    assert "'Ostrelby'" in line


def test_an_unknown_scenario(tmp_path: Path) -> None:
    code, line = _capture(tmp_path, port="virtual://no-such-rig")
    assert code == 8
    assert "fishplate-held" in line  # those there are


def test_a_port_that_does_not_exist(tmp_path: Path) -> None:
    code, line = _capture(tmp_path, port="/dev/ttyNOBODY7")
    assert code == 3
    assert "/dev/ttyNOBODY7" in line


def test_a_rate_that_is_not_on_offer(tmp_path: Path) -> None:
    code, line = _capture(tmp_path, PLAN + "rate_hz = 8000\n")
    assert code == 4
    assert "7500" in line


def _text(path: Path) -> None:
    path.write_text("dear diary\n" * 100)


def _other_database(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE cats (name TEXT)")
    connection.close()


def _newer(path: Path) -> None:
    from anviltrace.archive.archive import Archive

    Archive.open(path, create=True).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()


@pytest.mark.parametrize(("make", "said"), [(_text, "archive"), (_other_database, "archive"), (_newer, "99")])
@pytest.mark.parametrize("command", ["list", "verify"])
def test_not_an_archive_of_ours(tmp_path: Path, make, said: str, command: str) -> None:
    path = tmp_path / "file.anviltrace"
    make(path)
    before = path.read_bytes()
    code, line = _complaint(tmp_path, "archive", command, "--archive", str(path))
    assert code == 6
    assert said in line
    assert path.read_bytes() == before


def test_a_truncated_archive(tmp_path: Path, root: Path) -> None:
    whole = (root / "fixtures" / "archives" / "schema-1.anviltrace").read_bytes()
    path = tmp_path / "cut.anviltrace"
    path.write_bytes(whole[: len(whole) * 2 // 3])
    code, line = _complaint(tmp_path, "archive", "list", "--archive", str(path))
    assert code == 7
    assert "cut.anviltrace" in line


WEIGHTS = """
[site]
latitude_deg = 52.3
height_m = 160
[[arm]]
name = "long arm"
length_m = 0.8
within_m = 0.001
highest_nm = 150
[[mass]]
name = "plate A"
mass_kg = 10.0
within_kg = 0.02
[[mass]]
name = "plate B"
mass_kg = 10.0
within_kg = 0.02
"""
STEPS = '[[step]]\nmasses = ["plate A"]\n[[step]]\nmasses = ["plate A", "plate B"]\n'


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("mass_kg = 10.0", 'mass_kg = "22 lb"', "'22 lb' is not in kg: convert it by 1 lb = 0.45359237 kg"),
        (STEPS, '[[step]]\nmasses = ["plate A"]\n', "1 load: a line needs two different loads at least"),
        (STEPS, '[[step]]\nmasses = ["plate A", "plate B"]\n[[step]]\nmasses = ["plate A"]\n',
         "load 2 takes 'plate B' off again: a series only rises"),
        ("highest_nm = 150", "highest_nm = 150", "load 2 makes 157.0 N·m, beyond the 150 N·m that long"),
    ],
)  # fmt: skip
def test_weights_that_cannot_be_hung(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Nothing hangs and nothing is stored: whatever is wrong with the loads is said first."""
    assert old in WEIGHTS + STEPS
    (tmp_path / "weights.toml").write_text((WEIGHTS + STEPS).replace(old, new, 1), encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH)
    code, line = _complaint(tmp_path, "calibration", "record", "--arm", "long arm", "--direction", "cw",
                            "--port", "virtual://fishplate-held", "--archive", "new.anviltrace")  # fmt: skip
    assert code == (10 if said.startswith(("1 load", "load")) else 8)
    assert said in line
    if (tmp_path / "new.anviltrace").exists():
        from anviltrace.archive.archive import Archive
        from anviltrace.records import Calibration

        with Archive.open(tmp_path / "new.anviltrace", read_only=True) as archive:
            assert archive.all(Calibration) == []
