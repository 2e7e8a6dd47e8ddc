"""A stand-in for a board, for tests that need one to misbehave: a thread that speaks the protocol on a pty.

It keeps virtual time: samples come as fast as the host takes them, but never more than a second ahead of
the last frame heard from the host.
"""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from anvilwire import frame, messages

TICK_MASK = (1 << messages.TICK_BITS) - 1
SETTINGS_ID = 4711


def steady(index: NDArray[np.int64]) -> NDArray[np.int32]:
    """A signal in which every sample tells its index: index modulo 2^20."""
    return (index % (1 << 20)).astype(np.int32)


@dataclass
class Script:
    """What the stand-in does. The defaults make a board that behaves."""

    rates_mhz: tuple[int, ...] = (1_000_000, 7_500_000)
    gains: tuple[int, ...] = (1, 64)
    signal: Callable[[NDArray[np.int64]], NDArray[np.int32]] = steady
    version: int = frame.VERSION
    true_rate: float = 1.0
    "What the clock of the converter runs at, as a multiple of the nominal rate."
    greeting: bytes = b""
    "Sent when it hears something for the first time."
    ignore: int = 0
    "So many requests get no answer."
    refuse: dict[int, int] = field(default_factory=dict)
    "Request kind to refusal code."
    applied: dict[str, int] = field(default_factory=dict)
    "Fields of CONFIGURED that are not as they were asked for."
    spoil: Callable[[int, bytes], bytes] = lambda number, wire: wire  # noqa: ARG005
    "What the link makes of the frame of a block."
    lose: dict[int, int] = field(default_factory=dict)
    "Block number to samples that the converter lost just before it."
    unplug_at: int | None = None
    "The cable is pulled before this block, when the host has had time to read those before."
    silent_at: int | None = None
    "Not a byte more from this block on."
    end_at: tuple[int, int] | None = None
    "The board ends the run by itself before this block, for this reason."
    text_at: dict[int, bytes] = field(default_factory=dict)
    "Stray text before a block."
    window: int = 0
    "So many blocks can be sent again; ``spoil`` gets them as well."
    link_bytes_per_s: int = 0
    "What it says its link carries."


class StandIn:
    """A running stand-in; ``url`` is the port to open. ``heard`` lists the kinds of frames it got."""

    def __init__(self, script: Script | None = None, first_tick: int = 0) -> None:
        self.script = script or Script()
        self.heard: list[int] = []
        self._first_tick = first_tick
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        self._reader = frame.FrameReader()
        self._sequence = 0
        self._answered: tuple[int, int] | None = None
        self._reply: tuple[int, bytes] = (0, b"")
        self._rate_mhz = self.script.rates_mhz[0]
        self._gain = self.script.gains[0]
        self.run_id = 0
        self.streaming = False
        self._silent = False
        self._number = self._next_index = self._lost = self._reason = 0
        self._kept: dict[int, bytes] = {}
        self._allowance = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._stopping.set()
        self._thread.join()
        for handle in (self._master, self._slave):
            if handle >= 0:
                os.close(handle)

    def leave_streaming(self, run_id: int) -> None:
        """Stream already when the host comes, as after the crash of an earlier host."""
        self._begin(run_id)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._listen(0.0 if self._may_stream() else 0.01)
            if self._may_stream():
                self._stream_block()

    def _listen(self, wait_s: float) -> None:
        ready, _, _ = select.select([self._master], [], [], wait_s)
        if not ready:
            return
        for request in self._reader.feed(os.read(self._master, 4096)):
            self._allowance = self._next_index + self._rate_mhz // 1000
            if not self.heard:
                self._write(self.script.greeting)
            self.heard.append(request.kind)
            if request.kind != messages.HOST_ALIVE:
                self._answer(request)

    def _answer(self, request: frame.Frame) -> None:
        fields = messages.unpack(request.kind, request.payload)
        if self.script.ignore:
            self.script.ignore -= 1
            return
        if self._answered != (request.kind, fields["request_id"]):
            self._answered = (request.kind, fields["request_id"])
            self._reply = self._act(request.kind, **fields)
        self._send(*self._reply)
        if self._reply[0] == messages.RESENDING:
            self._send_again(**messages.unpack(*self._reply))

    def _act(self, kind: int, request_id: int, **fields: int) -> tuple[int, bytes]:
        if kind in self.script.refuse:
            values = {"request_kind": kind, "code": self.script.refuse[kind], "text": "so the test wants"}
            return messages.REFUSED, messages.pack(messages.REFUSED, request_id=request_id, **values)
        if kind == messages.IDENTITY:
            return messages.IDENTIFIED, self._identity(request_id)
        if kind == messages.CONFIGURE:
            return messages.CONFIGURED, self._configure(request_id, **fields)
        if kind == messages.START:
            self._begin(fields["run_id"])
            values = {"settings_id": SETTINGS_ID, "run_id": self.run_id, "tick": self._first_tick}
            return messages.STARTED, messages.pack(messages.STARTED, request_id=request_id, **values)
        if kind == messages.STOP:
            if self.streaming:
                self.streaming, self._reason = False, messages.ASKED
            return messages.FINISHED, self._totals(request_id)
        if kind == messages.RESEND:
            return messages.RESENDING, self._resending(request_id, **fields)
        return messages.QUITTING, messages.pack(messages.QUITTING, request_id=request_id)

    def _resending(self, request_id: int, run_id: int, block_number: int, count: int) -> bytes:
        oldest = self._oldest()
        first = min(max(block_number, oldest), self._number)
        return messages.pack(
            messages.RESENDING,
            request_id=request_id,
            run_id=run_id,
            block_number=first,
            count=max(0, min(block_number + count, self._number) - first),
            oldest=oldest,
            next=self._number,
        )

    def _oldest(self) -> int:
        return max(0, self._number - self.script.window)

    def _send_again(self, block_number: int, count: int, **_: int) -> None:
        for number in range(block_number, block_number + count):
            wire = self._frame(messages.BLOCK, self._kept[number])
            self._write(self.script.spoil(number, wire))

    def _begin(self, run_id: int) -> None:
        self.run_id, self.streaming = run_id, True
        self._number = self._next_index = self._lost = 0
        self._kept.clear()
        self._allowance = self._rate_mhz // 1000

    def _may_stream(self) -> bool:
        return self.streaming and not self._silent and self._next_index < self._allowance

    def _stream_block(self) -> None:
        script, number = self.script, self._number
        if number == script.unplug_at:
            self._stopping.wait(0.2)  # what is in the cable is lost: let the host have it first
            os.close(self._master)
            self._master = -1
            self._stopping.set()
            return
        if number == script.silent_at:
            self._silent = True
            return
        if script.end_at and number == script.end_at[0]:
            self.streaming, self._reason = False, script.end_at[1]
            self._send(messages.FINISHED, self._totals(0))
            return
        self._write(script.text_at.get(number, b""))
        self._write(script.spoil(number, self._block(script.lose.get(number, 0))))

    def _block(self, lost: int) -> bytes:
        self._lost += lost
        first = self._next_index + lost
        index = np.arange(first, first + messages.BLOCK_SAMPLES)
        counts = self.script.signal(index)
        header = messages.pack(
            messages.BLOCK,
            run_id=self.run_id,
            number=self._number,
            first_index=first,
            tick_first=self._tick(first),
            tick_last=self._tick(int(index[-1])),
            count=len(index),
            sample_bytes=3,
            channels=1,
            flags=messages.BLOCK_AFTER_LOSS if lost else 0,
            lost=self._lost,
            settings_id=SETTINGS_ID,
        )
        self._number += 1
        self._next_index = first + len(index)
        samples = counts.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        if self.script.window:
            self._kept[self._number - 1] = header + samples
            self._kept.pop(self._number - 1 - self.script.window, None)
        return self._frame(messages.BLOCK, header + samples)

    def _tick(self, index: int) -> int:
        rate_hz = self._rate_mhz / 1000 * self.script.true_rate
        return (self._first_tick + round(index / rate_hz * messages.TICK_HZ)) & TICK_MASK

    def _identity(self, request_id: int) -> bytes:
        return messages.pack(
            messages.IDENTIFIED,
            request_id=request_id,
            protocol_version=self.script.version,
            firmware_major=0,
            firmware_minor=9,
            firmware_patch=1,
            unique_id=bytes(range(8)),
            state=messages.STREAMING if self.streaming else messages.IDLE,
            tick_bits=messages.TICK_BITS,
            tick_hz=messages.TICK_HZ,
            max_frame=frame.MAX_FRAME,
            max_request=frame.MAX_REQUEST,
            block_samples=messages.BLOCK_SAMPLES,
            converter_ok=1,
            code_bits=24,
            scale_kind=messages.SCALE_VOLTAGE,
            full_scale_code=8_388_607,
            saturation_low=-8_388_608,
            saturation_high=8_388_607,
            excitation_uv=5_000_000,
            excitation_source=messages.EXCITATION_NOMINAL,
            board="stand-in",
            converter="ads1256",
            rates=[{"rate_mhz": rate, "group_delay_ns": 200_000} for rate in self.script.rates_mhz],
            gains=[{"gain": gain, "full_scale_nano": 5_000_000_000 // gain} for gain in self.script.gains],
            window_blocks=self.script.window,
            burst_samples=256 * self.script.window,
            link_bytes_per_s=self.script.link_bytes_per_s,
            sensors=0,
        )

    def _configure(self, request_id: int, rate_mhz: int, gain: int) -> bytes:
        self._rate_mhz = rate_mhz or self.script.rates_mhz[0]
        self._gain = gain or self.script.gains[0]
        applied = {"rate_mhz": self._rate_mhz, "gain": self._gain, "channels": 1, **self.script.applied}
        return messages.pack(
            messages.CONFIGURED,
            request_id=request_id,
            settings_id=SETTINGS_ID,
            group_delay_ns=200_000,
            full_scale_nano=5_000_000_000 // self._gain,
            full_scale_code=8_388_607,
            code_bits=24,
            sample_bytes=3,
            registers=b"\x01\x26",
            saturation_low=-8_388_608,
            saturation_high=8_388_607,
            **applied,
        )

    def _totals(self, request_id: int) -> bytes:
        return messages.pack(
            messages.FINISHED,
            request_id=request_id,
            run_id=self.run_id,
            reason=self._reason,
            blocks=self._number,
            next_index=self._next_index,
            lost=self._lost,
            saturated=0,
            unsent_blocks=0,
            bad_requests=0,
            first_block=self._oldest(),
            trigger_index=messages.NO_TRIGGER,
        )

    def _send(self, kind: int, payload: bytes) -> None:
        self._write(self._frame(kind, payload))

    def _frame(self, kind: int, payload: bytes) -> bytes:
        built = frame.build(kind, self._sequence, payload, version=self.script.version)
        self._sequence += 1
        return built

    def _write(self, data: bytes) -> None:
        while data and not self._stopping.is_set():
            _, ready, _ = select.select([], [self._master], [], 0.1)
            if ready:
                data = data[os.write(self._master, data) :]
