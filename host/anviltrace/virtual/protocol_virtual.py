"""pyserial's handler for ``virtual://``: a port at which a simulated board answers.

``virtual://NAME`` is a scenario of this package, ``virtual://./file.toml`` and ``virtual:///dir/file.toml``
are files. After a ``?``: ``seed=N`` (the same noise again), ``clock=wall`` (pace of real time while
streaming), ``interpreter=cpython`` or ``micropython``, ``ticks=N`` (the board's microsecond counter at
power-up; it wraps at 1073741824), ``uart=BAUD`` (the board is on a UART of that baud rate instead of USB).
Only the standard library and pyserial are imported before a port opens.
"""

from __future__ import annotations

import hashlib
import os
import select
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote, urlsplit

from serial import PortNotOpenError, SerialBase, SerialException, SerialTimeoutException

if TYPE_CHECKING:
    from anviltrace.virtual.board import BoardProcess

_BUFFER_BYTES = 65536
_CHOICES = {"clock": ("jump", "wall"), "interpreter": ("micropython", "cpython")}
_NUMBERS = {"seed": 1 << 63, "ticks": 1 << 30, "uart": 4_000_001}
_UART_PINS = (0, 1)
"""tx and rx, the usual ones of a Pico."""


@dataclass(frozen=True)
class Address:
    """A taken-apart URL: where the scenario is, and the options, ``None`` where not given."""

    scenario: str
    seed: int | None = None
    clock: str = "jump"
    interpreter: str | None = None
    ticks: int = 0
    uart: int = 0


def parse_url(url: str) -> Address:
    """Take a ``virtual://`` URL apart; :class:`OpenError` says what is wrong with it."""
    from anviltrace.errors import OpenError

    parts = urlsplit(url)
    scenario = unquote(parts.netloc + parts.path)
    if parts.scheme != "virtual" or not scenario:
        raise OpenError(f"{url}: name a scenario, as in virtual://NAME or virtual://./file.toml")
    options: dict[str, Any] = {}
    for key, value in parse_qsl(parts.query, keep_blank_values=True):
        if key in options:
            raise OpenError(f"{url}: {key} is given twice: keep one")
        options[key] = _option(url, key, value)
    return Address(scenario, **options)


def _option(url: str, key: str, value: str) -> str | int:
    from anviltrace.errors import OpenError

    if key in _CHOICES:
        if value not in _CHOICES[key]:
            raise OpenError(f"{url}: {key}={value}: choose {' or '.join(_CHOICES[key])}")
        return value
    if key in _NUMBERS:
        if not (value.isascii() and value.isdigit() and int(value) < _NUMBERS[key]):
            raise OpenError(f"{url}: {key}={value}: give a whole number from 0 to {_NUMBERS[key] - 1}")
        return int(value)
    raise OpenError(f"{url}: unknown option {key}: there are {', '.join([*_NUMBERS, *_CHOICES])}")


class Serial(SerialBase):  # type: ignore[misc]
    """A port with a simulated board behind it, in pyserial's terms.

    Beyond pyserial: ``operator`` acts at the bench, ``truth`` is what nature did, ``board`` is the
    :class:`BoardProcess`, and :meth:`unplug` pulls the cable.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.is_open = False
        self.board: BoardProcess | None = None
        self.operator: Any = None
        self.truth: Any = None
        self._received = bytearray()
        self._changed = threading.Condition()
        self._ended = ""
        self._cancelled = False
        self._reader: threading.Thread | None = None
        super().__init__(*args, **kwargs)

    # opening and closing

    def open(self) -> None:
        """Plug the board in. Raises OpenError, PlanError (the scenario) or VirtualRigError (the board)."""
        if self._port is None:
            raise SerialException("port must be configured before it can be used")
        if self.is_open:
            raise SerialException("port is already open")
        address = parse_url(self.portstr)
        bench, settings = make_bench(address.scenario, address.seed, address.uart)
        self.board = start_board(bench, settings, address)
        self.operator, self.truth = bench.operator, bench.truth
        self.operator.on_unplug = self.unplug
        self._ended = ""
        self._cancelled = False
        self._received.clear()
        self.is_open = True
        self._reader = threading.Thread(target=self._pump, name="virtual port", daemon=True)
        self._reader.start()

    def close(self) -> None:
        """Pull the board out and end its process."""
        if not self.is_open:
            return
        self.is_open = False
        assert self.board is not None
        assert self._reader is not None
        self.board.cut_power()
        with self._changed:
            self._changed.notify_all()
        self._reader.join()
        self.board.close()

    def unplug(self) -> None:
        """Pull the cable: from now on reading and writing raise SerialException."""
        board = self._open_board()
        with self._changed:
            self._ended = "device disconnected (unplugged)"
            self._received.clear()
            self._changed.notify_all()
        board.cut_power()

    # reading

    @property
    def in_waiting(self) -> int:
        """Bytes that a read would give at once."""
        self._open_board()
        with self._changed:
            self._raise_if_gone()
            return len(self._received)

    def read(self, size: int = 1) -> bytes:
        """Read up to ``size`` bytes, fewer when ``timeout`` passes first."""
        self._open_board()
        deadline_s = None if self._timeout is None else time.monotonic() + self._timeout
        data = bytearray()
        with self._changed:
            while len(data) < size and not self._cancelled:
                data += self._take(size - len(data))
                if len(data) == size or (self._ended and data):
                    break
                self._raise_if_gone()
                left_s = None if deadline_s is None else deadline_s - time.monotonic()
                if (left_s is not None and left_s <= 0) or not self.is_open:
                    break
                self._changed.wait(left_s)
            self._cancelled = False
        return bytes(data)

    def cancel_read(self) -> None:
        """Let a read that waits in another thread return what it has."""
        with self._changed:
            self._cancelled = True
            self._changed.notify_all()

    def reset_input_buffer(self) -> None:
        """Forget what was received."""
        self._open_board()
        with self._changed:
            self._received.clear()
            self._changed.notify_all()

    # writing

    def write(self, data: Any) -> int:
        """Write all of ``data``; SerialTimeoutException when ``write_timeout`` passes first."""
        descriptor = self._open_board().line_in
        deadline_s = None if self._write_timeout is None else time.monotonic() + self._write_timeout
        left = memoryview(data).cast("B")
        count = len(left)
        while left:
            self._raise_if_gone()
            wait_s = 0.1 if deadline_s is None else max(min(0.1, deadline_s - time.monotonic()), 0.0)
            if select.select([], [descriptor], [], wait_s)[1]:
                left = left[self._write_some(descriptor, left) :]
            elif deadline_s is not None and time.monotonic() >= deadline_s:
                raise SerialTimeoutException("Write timeout")
        return count

    def flush(self) -> None:
        """Nothing is held back."""
        self._open_board()

    def reset_output_buffer(self) -> None:
        """Nothing is held back."""
        self._open_board()

    # what pyserial wants and a virtual line has not

    def _reconfigure_port(self) -> None:
        """Baud rate and framing mean nothing to USB."""

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass

    def _update_break_state(self) -> None:
        pass

    cts = dsr = cd = property(lambda self: bool(self._open_board()))
    ri = property(lambda self: not self._open_board())

    # inside

    def _take(self, most: int) -> bytes:
        taken = bytes(self._received[:most])
        del self._received[:most]
        self._changed.notify_all()
        return taken

    def _open_board(self) -> BoardProcess:
        if not self.is_open or self.board is None:
            raise PortNotOpenError()
        return self.board

    def _raise_if_gone(self) -> None:
        if self._ended and not self._received:
            raise SerialException(self._ended)

    def _write_some(self, descriptor: int, data: memoryview) -> int:
        try:
            return os.write(descriptor, data[:4096])
        except BlockingIOError:
            return 0
        except OSError as error:
            raise SerialException(f"write failed: the virtual board is gone ({error.strerror})") from error

    def _pump(self) -> None:
        """Bring what the board says into the buffer; a full buffer makes the board wait."""
        assert self.board is not None
        while True:
            with self._changed:
                self._changed.wait_for(lambda: len(self._received) < _BUFFER_BYTES or not self.is_open)
            data = os.read(self.board.line_out, _BUFFER_BYTES)
            with self._changed:
                if not data or not self.is_open or self._ended:
                    self._ended = self._ended or _last_words(self.board)
                    self._changed.notify_all()
                    return
                self._received += data
                self._changed.notify_all()


def make_bench(scenario_name: str, seed: int | None, uart: int = 0) -> tuple[Any, Any]:
    """The bench of a scenario, and the settings of the board that its builder would have written.

    ``uart`` is the baud rate of the board's UART, 0 for USB.
    """
    from anviltrace.firmware import DEFAULT_PINS, BoardSettings, with_usual_wiring
    from anviltrace.virtual.bench import Bench
    from anviltrace.virtual.scenario import load

    scenario = load(scenario_name)
    converter = scenario.converter
    settings = BoardSettings(
        board="virtual",
        converter=str(converter.name),
        pins=None if converter.pio is None else DEFAULT_PINS[converter.name] | {"pio": converter.pio},
        rate_hz=80 if converter.rate_hz is None else converter.rate_hz,
        excitation_uv=1000 * round(1000 * converter.excitation_v),
        excitation_measured=True,
        link=("uart", 0, uart, *_UART_PINS) if uart else "usb",
        sensors=tuple(with_usual_wiring(sensor) for sensor in scenario.sensors),
    )
    return Bench(scenario, seed), settings


def start_board(bench: Any, settings: Any, address: Address) -> BoardProcess:
    """The board of a bench; its number follows from the scenario's name."""
    from anviltrace.virtual.board import BoardProcess

    return BoardProcess(
        bench,
        settings,
        interpreter=address.interpreter,
        clock=address.clock,
        first_tick=address.ticks,
        unique_id=hashlib.sha256(address.scenario.encode()).digest()[:8],
    )


def _last_words(board: BoardProcess) -> str:
    """Why there is nothing more to read."""
    errors = " | ".join(board.errors().split("\n")[-3:])
    return f"device disconnected (the virtual board ended{': ' + errors if errors else ''})"
