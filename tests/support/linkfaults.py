"""A link that flips, drops, inserts and doubles bytes and cuts pieces out, seeded; and who checks what comes
through it against a truth from outside: the code of every sample is known from its number.

Two studies. :func:`through_codec` sends frames of a model of a board, made with the shared codec, to the
host's reader, recovery and intake, and has the shared reader read the same bytes. :func:`through_board` runs
the device script on the virtual board, whose converter sees a ramp, so that each code tells the number of
its conversion; the converter misses data-readies and gets surplus ones besides, and the reader stalls.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from workshop import workshop

from anviltrace.capture.intake import Intake
from anviltrace.firmware import BoardSettings
from anviltrace.link.events import Blocks, Finished, Totals
from anviltrace.link.recovery import Recovery
from anviltrace.link.session import Session
from anviltrace.link.stream import StreamReader
from anviltrace.records import Gap, GapCause
from anviltrace.virtual import protocol_virtual
from anviltrace.virtual.board import Fault
from anvilwire import frame, messages

Counts = np.ndarray[Any, np.dtype[np.int32]]

RUN = 7
WINDOW = 63
SETTINGS_ID = 4711


@dataclass(frozen=True)
class Faults:
    """What happens to a byte on its way, as probabilities; a cut takes 300 bytes out."""

    flip: float = 2e-5
    drop: float = 1e-5
    insert: float = 1e-5
    double: float = 1e-5
    cut: float = 2e-6

    def each(self) -> list[float]:
        return [self.flip, self.drop, self.insert, self.double, self.cut]


NONE = Faults(0.0, 0.0, 0.0, 0.0, 0.0)
USUAL = Faults()
"""About one full block in 25 is spoiled."""
BAD = Faults(2e-4, 1e-4, 1e-4, 1e-4, 2e-5)
"""About one in three."""
CUT_BYTES = 300


class Spoiler:
    """Bytes in, bytes out, some of them spoiled."""

    def __init__(self, faults: Faults, seed: int) -> None:
        chances = np.array(faults.each())
        self._rate = float(chances.sum())
        self._shares = np.cumsum(chances / self._rate) if self._rate else chances
        self._random = np.random.default_rng(seed)
        self.events = 0

    def __call__(self, data: bytes) -> bytes:
        count = int(self._random.poisson(self._rate * len(data))) if data else 0
        if not count:
            return data
        self.events += count
        spoiled = bytearray(data)
        for at in sorted(self._random.integers(0, len(data), count).tolist(), reverse=True):
            self._spoil(spoiled, at)
        return bytes(spoiled)

    def _spoil(self, data: bytearray, at: int) -> None:
        kind = int(np.searchsorted(self._shares, self._random.random()))
        if at >= len(data):
            return
        if kind == 0:
            data[at] ^= 1 << int(self._random.integers(8))
        elif kind == 1:
            del data[at]
        elif kind == 2:
            data.insert(at, int(self._random.integers(256)))
        elif kind == 3:
            data.insert(at, data[at])
        else:
            del data[at : at + CUT_BYTES]


@dataclass
class Ledger:
    """Keeps what an intake hands over, and insists on the order a recording insists on."""

    next_index: int = 0
    pieces: list[tuple[int, Counts]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)

    def append(self, first_index: int, samples: Counts) -> None:
        assert first_index == self.next_index
        self.pieces.append((first_index, samples))
        self.next_index += len(samples)

    def gap(self, gap: Gap) -> None:
        assert gap.first_index == self.next_index
        self.gaps.append(gap)
        self.next_index += gap.count

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:
        pass


@dataclass
class Figures:
    """What a study found. ``frames`` left the board; ``wrong`` samples were accepted that are not what the
    converter gave; ``unaccounted`` ones are missing and in no gap, or in one whose bounds do not hold.
    """

    frames: int = 0
    spoiled: int = 0
    samples: int = 0
    recovered: int = 0
    in_link_gaps: int = 0
    in_converter_gaps: int = 0
    wrong: int = 0
    unaccounted: int = 0
    disagreements: int = 0

    def add(self, other: Figures) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


# the shared codec


def code_of(number: np.ndarray) -> Counts:
    """The code of a sample: 24 bits that look random, from its number alone."""
    mixed = (np.asarray(number, np.uint64) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(40)
    return (mixed.astype(np.int64) - (1 << 23)).astype(np.int32)


class ModelBoard:
    """Makes frames with the shared codec, keeps the last blocks and sends them again when asked to."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._sequence = 0
        self._kept: dict[int, bytes] = {}
        self._again: list[int] = []
        self._reader = frame.FrameReader()
        self._answered: tuple[int, bytes] = (0, b"")
        self.number = self.next_index = self.lost = self.frames = 0

    def block(self) -> bytes:
        """The next block: some are short, before some of them samples were lost."""
        random = self._random
        lost = int(random.integers(1, 20)) if random.random() < 0.01 else 0
        count = int(random.choice((5, 20, 64, 256)))
        first = self.next_index + lost
        self.lost += lost
        header = messages.pack(
            messages.BLOCK,
            run_id=RUN,
            number=self.number,
            first_index=first,
            tick_first=first & 0x3FFFFFFF,
            tick_last=(first + count) & 0x3FFFFFFF,
            count=count,
            sample_bytes=3,
            channels=1,
            flags=messages.BLOCK_AFTER_LOSS if lost else 0,
            lost=self.lost,
            settings_id=SETTINGS_ID,
        )
        codes = code_of(np.arange(first, first + count))
        self._kept[self.number] = header + codes.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        self._kept.pop(self.number - WINDOW, None)
        self.number += 1
        self.next_index = first + count
        return self._frame(messages.BLOCK, self._kept[self.number - 1])

    def once_more(self) -> bytes:
        """One block of those asked for."""
        while self._again:
            number = self._again.pop(0)
            if number in self._kept:
                return self._frame(messages.BLOCK, self._kept[number])
        return b""

    def hear(self, data: bytes) -> bytes:
        """Answers to what the host sent."""
        return b"".join(self._answer(request) for request in self._reader.feed(data))

    def _answer(self, request: frame.Frame) -> bytes:
        fields = messages.unpack(messages.RESEND, request.payload)
        if fields["request_id"] != self._answered[0]:
            oldest = min(self._kept, default=self.number)
            end = min(fields["block_number"] + fields["count"], self.number)
            first = min(max(fields["block_number"], oldest), end)
            self._again = list(range(first, end))
            reply = messages.pack(
                messages.RESENDING,
                request_id=fields["request_id"],
                run_id=RUN,
                block_number=first,
                count=end - first,
                oldest=oldest,
                next=self.number,
            )
            self._answered = (fields["request_id"], reply)
        return self._frame(messages.RESENDING, self._answered[1])

    def _frame(self, kind: int, payload: bytes) -> bytes:
        self.frames += 1
        self._sequence += 1
        return frame.build(kind, self._sequence, payload)


class ModelHost:
    """The host's own reader, recovery and intake; the shared reader reads the same bytes beside them."""

    def __init__(self) -> None:
        self.reader = StreamReader()
        self.plain = frame.FrameReader()
        self.recovery = Recovery(WINDOW)
        self.ledger = Ledger()
        self.intake = Intake(self.ledger, "run", RUN, workshop().settings)
        self.disagreements = 0
        self._request_id = 0

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Take bytes; return the request they lead to."""
        batch = self.reader.feed(data)
        if len(self.plain.feed(data)) != len(batch.blocks) + len(batch.frames):
            self.disagreements += 1
        if len(batch.blocks):
            self.recovery.take(batch.blocks, batch.samples, now_s)
        for _, other in batch.frames:
            self.recovery.answered(messages.unpack(messages.RESENDING, other.payload)["oldest"])
        wish = self.recovery.wish(now_s)
        for blocks in self.recovery.ready():
            self.intake.take(blocks.table, blocks.samples)
        if wish is None:
            return b""
        self._request_id = self._request_id % 255 + 1
        fields = {"run_id": RUN, "block_number": wish[0], "count": wish[1]}
        payload = messages.pack(messages.RESEND, request_id=self._request_id, **fields)
        return frame.build(messages.RESEND, self._request_id, payload)


def through_codec(frames: int, faults: Faults, seed: int) -> Figures:
    """Send about so many frames through a faulty link, both ways; check every sample against its number."""
    board, host = ModelBoard(seed), ModelHost()
    there, back = Spoiler(faults, seed + 1), Spoiler(faults, seed + 2)
    now_s, asked = 0.0, b""
    while board.frames < frames:
        now_s += 0.02
        said = board.hear(asked) + b"".join(board.block() + board.once_more() for _ in range(4))
        asked = back(host.hear(there(said), now_s))
    host.recovery.end(board.number, max(0, board.number - WINDOW))
    while not host.recovery.done:
        now_s += 0.02
        asked = back(host.hear(there(board.hear(asked) + board.once_more()), now_s))
    host.hear(b"", now_s)
    host.intake.close(board.next_index, board.lost, board.number)
    return _judge_model(board, host, there.events)


def _judge_model(board: ModelBoard, host: ModelHost, spoiled: int) -> Figures:
    ledger = host.ledger
    figures = _tally(ledger, board.frames, spoiled, host.recovery.counts.recovered)
    figures.disagreements = host.disagreements
    for first, counts in ledger.pieces:
        figures.wrong += int(np.count_nonzero(counts != code_of(np.arange(first, first + len(counts)))))
    figures.unaccounted += abs(board.next_index - ledger.next_index)
    return figures


def _tally(ledger: Ledger, frames: int, spoiled: int, recovered: int) -> Figures:
    by_cause = {cause: sum(gap.count for gap in ledger.gaps if gap.cause is cause) for cause in GapCause}
    return Figures(
        frames=frames,
        spoiled=spoiled,
        samples=sum(len(counts) for _, counts in ledger.pieces),
        recovered=recovered,
        in_link_gaps=by_cause[GapCause.LINK],
        in_converter_gaps=by_cause[GapCause.CONVERTER],
    )


# the device script

STEP = 1200
"""From one first-stage value to the next, in units of 100 pV: about three counts of an ADS1256 at gain 16."""
LOWEST = -2_100_000_000
TURN = 3_400_000
"""Values before the ramp starts over."""
GAIN = 16
COUNTS_PER_STEP = STEP * GAIN * 8388607 / 5e10
"""TI SBAS288K: full scale, 8388607 counts, is 2 VREF / gain; VREF is 2.5 V."""
AVERAGED = 4
"""First-stage values in one sample at 7.5 kS/s."""
RATE_HZ = 7500.0


class Ramp:
    """A bench whose n-th first-stage value is n steps above the lowest."""

    front_rate_hz = 30_000.0

    def __init__(self) -> None:
        self.operator, self.truth = SimpleNamespace(), None
        self._rendered = 0

    def render(self, count: int, _at_s: float) -> Any:
        number = np.arange(self._rendered, self._rendered + count)
        self._rendered += count
        return (LOWEST + STEP * (number % TURN)).astype(np.int32)

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


def number_of(codes: Counts) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The number of the conversion, by its code; up to a constant."""
    return codes / (COUNTS_PER_STEP * AVERAGED)


class SpoiledPort:
    """A virtual port whose bytes are spoiled both ways while ``active``, and whose reader stalls at times."""

    def __init__(
        self, port: Any, faults: Faults, seed: int, stall: float = 0.0, stall_s: float = 1.2
    ) -> None:
        self._port = port
        self.there, self._back = Spoiler(faults, seed + 1), Spoiler(faults, seed + 2)
        self._random = np.random.default_rng(seed)
        self.stall, self._stall_s = stall, stall_s
        self.active = False
        self._zeros = 0

    @property
    def frames(self) -> int:
        """Frames that came: each has a zero at either end."""
        return self._zeros // 2

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)

    def read(self, size: int = 1) -> bytes:
        data: bytes = self._port.read(size)
        if not self.active or not data:
            return data
        self._zeros += data.count(0)
        if self._random.random() < self.stall:
            time.sleep(self._stall_s)
        return self.there(data)

    def write(self, data: bytes) -> int:
        self._port.write(self._back(data) if self.active else data)
        return len(data)


def ramp_board(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let virtual boards have the ramp before their converter."""

    def made(_scenario: str, _seed: int | None, uart: int = 0) -> tuple[Any, BoardSettings]:
        link = ("uart", 0, uart, 0, 1) if uart else "usb"
        return Ramp(), BoardSettings(board="virtual", excitation_measured=True, link=link)  # type: ignore[arg-type]

    monkeypatch.setattr(protocol_virtual, "make_bench", made)


def narrow_buffers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a reader that stalls be felt on the board: little lies between them."""
    monkeypatch.setattr(protocol_virtual, "_BUFFER_BYTES", 2048)


def through_board(
    port: Any, blocks: int, seed: int, faults: Faults, chip_faults: bool = True, stall: float = 0.0
) -> Figures:
    """Record so many blocks from a virtual board with a ramp through a faulty link; check each sample."""
    random = np.random.default_rng(seed)
    spoiled = SpoiledPort(port, faults, seed, stall)
    with Session(spoiled) as session:
        settings = session.configure(RATE_HZ, GAIN)
        ledger = Ledger()
        intake = Intake(ledger, "run", RUN, settings)
        session.start(RUN)
        spoiled.active = True
        totals, next_fault = None, _soon(random, 0)
        while totals is None and ledger.next_index < blocks * messages.BLOCK_SAMPLES:
            totals = _take(session, intake)
            if chip_faults and ledger.next_index > next_fault:
                kind = (Fault.MISSED_READY, Fault.EXTRA_READY, Fault.STRAY_TEXT)[int(random.integers(3))]
                port.board.inject(kind, int(random.integers(1, 4)))
                next_fault = _soon(random, ledger.next_index)
        spoiled.stall = 0.0
        totals = totals or session.stop()
        _take(session, intake, 0.0)
        intake.settle(totals)
        recovered = session.recovered.recovered
    return _judge_ramp(ledger, totals, spoiled, recovered)


def _soon(random: np.random.Generator, index: int) -> int:
    """When the converter is disturbed next: two seconds later on average."""
    return index + int(random.exponential(2.0 * RATE_HZ))


def _take(session: Session, intake: Intake, timeout_s: float = 0.1) -> Totals | None:
    for event in session.poll(timeout_s):
        if isinstance(event, Blocks):
            intake.take(event.table, event.samples)
        elif isinstance(event, Finished):
            return event.totals
    return None


def _judge_ramp(ledger: Ledger, totals: Totals, port: SpoiledPort, recovered: int) -> Figures:
    """Within a piece each sample is the next conversion; between two the gap is as long as it says."""
    figures = _tally(ledger, port.frames, port.there.events, recovered)
    figures.unaccounted += abs(totals.next_index - ledger.next_index)
    ends = 0
    last = None
    for first, counts in ledger.pieces:
        number = number_of(counts)
        steps = np.diff(number)
        figures.wrong += int(np.count_nonzero(np.abs(steps % (TURN / AVERAGED) - 1.0) > 0.3))
        if last is not None:
            figures.unaccounted += _off(
                ledger.gaps, ends, first, (number[0] - last) % (TURN / AVERAGED) - 1.0
            )
        ends, last = first + len(counts), float(number[-1])
    return figures


def _off(gaps: list[Gap], start: int, end: int, missing: float) -> int:
    """By how many samples the gaps between two pieces are off beyond the uncertainty they state."""
    between = [gap for gap in gaps if start <= gap.first_index < end]
    stated = sum(gap.count for gap in between)
    allowed = sum(gap.uncertainty for gap in between)
    return max(0, round(abs(missing - stated)) - allowed)
