"""The virtual board: a child process in which the device script runs on simulated hardware.

Its stdin and stdout are the serial line. Two more pipes are the bench feed, over which the simulated
converter (``silicon/front.py``) asks for what its first filter stage delivers, and the bench renders it.
"""

from __future__ import annotations

import contextlib
import fcntl
import importlib.util
import os
import select
import signal
import struct
import subprocess
import sys
import tempfile
import threading
from collections import deque
from enum import IntEnum
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from anviltrace.errors import VirtualRigError
from anviltrace.firmware import BoardSettings, lay_out
from anviltrace.units import US_PER_S

SILICON = Path(__file__).resolve().parent / "silicon"

INTERPRETERS = ("micropython", "cpython")
CLOCKS = ("jump", "wall")
TICK_LIMIT = 1 << 30
"""The board's microsecond counter wraps here."""

_REQUEST = struct.Struct("<BBHIQ")
_ANSWER = struct.Struct("<IHH")
_SENSE = struct.Struct("<BBHIIQ")
_POWERED = 0
"""Request that says the board is up; any other asks for values."""
_NS_PER_S = 1e9
_HEAP_KB, _HEAP_KB_OF_A_SENSOR = 352, 16
"""A Pico leaves a script about 160 kB. Objects are twice as large here, scripts are compiled here, and the
simulated hardware lives here too."""
_START_LIMIT_S = 20.0
_WALL_PIPE_BYTES = 4096
_TAIL_CHARACTERS = 600


class Fault(IntEnum):
    """What can go wrong on purpose; ``silicon/faults.py`` says what each argument means."""

    NONE = 0
    STRETCHED_CLOCK = 1
    MISSED_READY = 2
    EXTRA_READY = 3
    SILENT = 4
    STRAY_TEXT = 5
    BOARD_RESET = 6
    CHIP_RESET = 7
    UNACKNOWLEDGED = 8
    STUCK = 9
    SENSOR_SILENT = 20
    SENSOR_FROZEN = 21


class FrontEnd(Protocol):
    """What the board needs of a bench."""

    @property
    def front_rate_hz(self) -> float:
        """True rate of the converter's first filter stage."""

    def render(self, count: int, at_s: float) -> npt.NDArray[np.int32]:
        """The next ``count`` first-stage values, the first at ``at_s`` seconds since power-up."""

    def take_fault(self) -> tuple[int, int]:
        """Code and argument of a :class:`Fault` that is due, else (0, 0)."""

    def sense(
        self, signal: int, signals: int, count: int, at_s: float, step_s: float, width_s: float
    ) -> npt.NDArray[np.int32]:
        """What side sensors see; see ``Bench.sense``. Never called where the board has none."""


def usual_interpreter() -> str:
    """``micropython`` where it is installed, else ``cpython``."""
    return "micropython" if importlib.util.find_spec("micropython_unix") else "cpython"


class BoardProcess:
    """A board that was just plugged in. Close it: it owns a process, a thread and a temporary folder.

    ``line_in`` and ``line_out`` are the file descriptors of the serial line, to write to the board (does
    not block) and to read from it. ``clock`` is ``jump`` (virtual time runs as fast as it can while
    streaming) or ``wall``. ``first_tick`` is what the board's microsecond counter shows at power-up.
    Raises :class:`VirtualRigError` when the board does not come up.
    """

    def __init__(
        self,
        bench: FrontEnd,
        settings: BoardSettings,
        *,
        interpreter: str | None = None,
        clock: str = "jump",
        first_tick: int = 0,
        unique_id: bytes = bytes(8),
    ) -> None:
        self.interpreter = interpreter or usual_interpreter()
        self._bench = bench
        self._faults: deque[tuple[Fault, int]] = deque()
        self._powered = threading.Event()
        self._gone = threading.Event()
        self._trouble = ""
        self.line_in = self.line_out = -1
        self._temporary = tempfile.TemporaryDirectory(prefix="anviltrace-board-", ignore_cleanup_errors=True)
        self.folder = Path(self._temporary.name)
        self._heap_kb = _HEAP_KB + _HEAP_KB_OF_A_SENSOR * len(settings.sensors)
        self.rendered_path = self.folder / "rendered.i32"
        self.files = lay_out(self.folder / "board", settings)
        arguments = [
            str(round(1e12 / bench.front_rate_hz)),
            clock,
            str(first_tick),
            unique_id.hex(),
        ]
        self._start(arguments)
        if clock == "wall":
            self._narrow_pipe()
        self._feeder = threading.Thread(target=self._feed, name="bench feed", daemon=True)
        self._feeder.start()
        self._senses = threading.Thread(target=self._feed_senses, name="sensor feed", daemon=True)
        self._senses.start()
        self._await_power()

    def __enter__(self) -> BoardProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def is_alive(self) -> bool:
        """Whether the child process runs."""
        return self._process.poll() is None

    def inject(self, fault: Fault, argument: int = 0) -> None:
        """Let something go wrong with the next values the converter asks for (within 100 ms of its time)."""
        self._faults.append((fault, argument))

    def rendered(self) -> npt.NDArray[np.int32]:
        """Everything the bench has rendered so far, in order."""
        return np.fromfile(self.rendered_path, dtype="<i4").astype(np.int32)

    def errors(self) -> str:
        """What the child wrote to stderr, and what went wrong in the bench."""
        text = (self.folder / "stderr.txt").read_text(encoding="utf-8", errors="replace")
        return (self._trouble + text).strip()

    def cut_power(self) -> None:
        """End the child at once, as when its plug is pulled."""
        if self.is_alive:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def close(self) -> None:
        """Cut the power and clear everything away. May be called twice."""
        if self.line_in < 0:
            return
        self.cut_power()
        self._feeder.join()
        self._senses.join()
        os.close(self.line_in)
        os.close(self.line_out)
        self.line_in = self.line_out = -1
        self._temporary.cleanup()

    # starting

    def _start(self, arguments: list[str]) -> None:
        ask_here, ask_there = os.pipe()
        answer_there, answer_here = os.pipe()
        sense_here, sense_there = os.pipe()
        sensed_there, sensed_here = os.pipe()
        line_there, self.line_in = os.pipe()
        self.line_out, line_back = os.pipe()
        senses = [str(sense_there), str(sensed_there)]
        command, environment = self._command([str(ask_there), str(answer_there), *arguments, *senses])
        with (self.folder / "stderr.txt").open("wb") as stderr:
            self._process = subprocess.Popen(
                command,
                stdin=line_there,
                stdout=line_back,
                stderr=stderr,
                pass_fds=(ask_there, answer_there, sense_there, sensed_there),
                env=environment,
                cwd=self.folder,
                start_new_session=True,
            )
        for descriptor in (ask_there, answer_there, sense_there, sensed_there, line_there, line_back):
            os.close(descriptor)
        os.set_blocking(self.line_in, False)
        self._ask, self._answer = ask_here, answer_here
        self._sense, self._sensed = sense_here, sensed_here

    def _command(self, arguments: list[str]) -> tuple[list[str], dict[str, str]]:
        board = self.folder / "board"
        folders = [str(SILICON), str(board), str(board / "lib")]
        if self.interpreter == "cpython":
            run = SILICON / "cpython" / "run.py"
            folders.insert(1, str(run.parent))
            python = [sys.executable, "-I", "-B", str(run), os.pathsep.join(folders)]
            return [*python, *arguments], dict(os.environ)
        micropython = [sys.executable, "-I", "-m", "micropython_unix", "-X", f"heapsize={self._heap_kb}K"]
        path = os.pathsep.join([*folders, ".frozen"])
        return [*micropython, str(SILICON / "power_up.py"), *arguments], {**os.environ, "MICROPYPATH": path}

    def _narrow_pipe(self) -> None:
        """Let back-pressure be felt early, where the system allows it."""
        if hasattr(fcntl, "F_SETPIPE_SZ"):
            fcntl.fcntl(self.line_out, fcntl.F_SETPIPE_SZ, _WALL_PIPE_BYTES)

    def _await_power(self) -> None:
        self._powered.wait(_START_LIMIT_S)
        if self._powered.is_set() and not self._gone.is_set():
            return
        said = self._said()
        self.cut_power()
        text = (self.errors() + "\n" + said).strip()[-_TAIL_CHARACTERS:] or "it said nothing"
        self.close()
        raise VirtualRigError(
            f"the virtual board did not start under {self.interpreter} "
            f"(try ?interpreter={'cpython' if self.interpreter == 'micropython' else 'micropython'}): "
            + " | ".join(text.split("\n"))
        )

    def _said(self) -> str:
        """What waits on the serial line."""
        said = b""
        while select.select([self.line_out], [], [], 0)[0] and (data := os.read(self.line_out, 65536)):
            said += data
        return said.decode(errors="replace")

    # the bench feed

    def _feed(self) -> None:
        try:
            with self.rendered_path.open("wb", buffering=0) as record:
                while request := _read_request(self._ask, _REQUEST):
                    operation, _, _, count, at_us = request
                    if operation == _POWERED:
                        self._powered.set()
                    else:
                        self._serve(record, count, at_us)
        except OSError:
            pass  # the child is gone
        except Exception as error:
            self._fail(error)
        finally:
            self._gone.set()
            self._powered.set()
            os.close(self._ask)
            os.close(self._answer)

    def _feed_senses(self) -> None:
        try:
            while request := _read_request(self._sense, _SENSE):
                signal_number, signals, count, step_ns, width_ns, at_ns = request
                seen = self._bench.sense(
                    signal_number,
                    signals,
                    count,
                    at_ns / _NS_PER_S,
                    step_ns / _NS_PER_S,
                    width_ns / _NS_PER_S,
                )
                _write_all(self._sensed, np.ascontiguousarray(seen, dtype="<i4").tobytes())
        except OSError:
            pass  # the child is gone
        except Exception as error:
            self._fail(error)
        finally:
            os.close(self._sense)
            os.close(self._sensed)

    def _fail(self, error: Exception) -> None:
        """The port goes away, and errors() says why."""
        self._trouble = f"the bench failed: {error!r}\n"
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)

    def _serve(self, record: Any, count: int, at_us: int) -> None:
        values = np.ascontiguousarray(self._bench.render(count, at_us / US_PER_S), dtype="<i4").tobytes()
        record.write(values)
        fault, argument = self._faults.popleft() if self._faults else self._bench.take_fault()
        _write_all(self._answer, _ANSWER.pack(count, fault, argument) + values)


def _read_request(descriptor: int, layout: struct.Struct) -> tuple[Any, ...] | None:
    data = b""
    while len(data) < layout.size:
        more = os.read(descriptor, layout.size - len(data))
        if not more:
            return None
        data += more
    return layout.unpack(data)


def _write_all(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(descriptor, left) :]
